"""The reference page is what the code would write now, and its drawings show what the measures stand on."""

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from raysplay.measure import MEASURES, Evidence
from raysplay.train.reference_page.page import FOLDER, PAGE, pages, write

MEASURE = Path(__file__).parents[3] / "measure"


@pytest.fixture(scope="module")
def files():
    return pages()


def test_the_page_is_up_to_date(files):
    """If this fails: python -m raysplay.train.reference_page."""
    for name, text in files.items():
        assert (MEASURE / name).read_text(encoding="utf-8") == text, name
    assert {f"{FOLDER}/{path.name}" for path in (MEASURE / FOLDER).iterdir()} == set(files) - {PAGE}


def test_every_measure_is_there_with_definition_and_source(files):
    page = files[PAGE]
    for measure in MEASURES:
        assert f"`{measure.name}`" in page
        if not measure.name.endswith("_ratio"):
            assert measure.definition in page
            assert measure.cited in page
            if measure.caution:
                assert measure.caution in page
    assert set(re.findall(r"!\[[^]]*\]\(([^)]*)\)", page)) == set(files) - {PAGE}


def test_what_is_from_memory_is_marked(files):
    for measure in MEASURES:
        if measure.evidence is Evidence.MEMORY and not measure.name.endswith("_ratio"):
            section = files[PAGE].split(f'<a id="{measure.name}"></a>')[1].split("<a id=")[0]
            source = next(line for line in section.splitlines() if line.startswith("* **Source**"))
            assert "from memory" in source


@pytest.mark.parametrize("measure", [m for m in MEASURES if not m.name.endswith("_ratio")], ids=lambda m: m.name)
def test_a_drawing_names_every_landmark_inside_its_frame(measure, files):
    root = ElementTree.fromstring(files[f"{FOLDER}/{measure.name}.svg"])
    inner = root.find("{*}svg")
    width, height = float(inner.get("width")), float(inner.get("height"))
    dots = [(float(c.get("cx")), float(c.get("cy"))) for c in inner.iter("{http://www.w3.org/2000/svg}circle")]
    assert len(dots) == len(measure.landmarks)
    assert all(0 < x < width and 0 < y < height for x, y in dots)
    assert {text.text for text in inner.iter("{http://www.w3.org/2000/svg}text")} == set(measure.landmarks)


def test_writing_removes_drawings_of_measures_that_are_gone(tmp_path, files):
    (tmp_path / FOLDER).mkdir()
    (tmp_path / FOLDER / "gone.svg").write_text("<svg/>", encoding="utf-8")
    write(tmp_path)
    assert {f"{FOLDER}/{path.name}" for path in (tmp_path / FOLDER).iterdir()} == set(files) - {PAGE}

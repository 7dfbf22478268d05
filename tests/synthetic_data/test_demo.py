"""The demonstration archive holds what it promises, and its configuration refuses nonsense."""

import pydicom
import pytest
from pydantic import ValidationError

from raysplay.configs.load import ConfigError, load
from raysplay.infer.films.collect import collect
from raysplay.synthetic_data.demo import DemoSettings, demo_settings, write_demo
from raysplay.synthetic_data.film.settings import ArchiveSettings, archive_settings


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    settings = demo_settings().model_copy(update={"pixel_mm": 0.7})
    return write_demo(tmp_path_factory.mktemp("demo"), settings), settings


def test_films_read_and_awkward_files_are_awkward(demo):
    out, settings = demo
    seen = {film.file: pydicom.dcmread(out / film.file) for film in settings.films}
    assert all(ds.pixel_array.ndim == 2 for ds in seen.values())
    assert "MONOCHROME1" in {ds.PhotometricInterpretation for ds in seen.values()}
    assert {film.layout for film in settings.films} >= {"single", "both", "fields"}
    assert {film.toes for film in settings.films} >= {"up", "down"}
    assert any(film.part for film in settings.films)
    assert any("lateral" in (film.views or ()) for film in settings.films)
    wrong = [film for film in settings.films if film.letter == "wrong"]
    assert [(seen[f.file].get("ImageLaterality") or seen[f.file].get("Laterality")) != f.sides[0] for f in wrong] == [
        True
    ]
    (twin,) = settings.copies
    assert (out / twin.file).read_bytes() == (out / twin.of).read_bytes()
    problems = {one.name: one.problem for one in collect([out]).candidates}
    assert problems[twin.of] is None
    assert str(problems[twin.file]) == f"same file as {twin.of}"
    (short,) = settings.truncated
    assert 0 < (out / short.file).stat().st_size < (out / short.of).stat().st_size / 2
    (note,) = settings.notes
    assert (out / note.file).read_text(encoding="utf-8") == note.text


def test_no_file_may_leave_the_archive():
    values = demo_settings().model_dump()
    for name in ("../elsewhere.dcm", "/elsewhere.dcm"):
        values["notes"] = [{"file": name, "text": ""}]
        with pytest.raises(ValidationError, match="inside the archive"):
            DemoSettings.model_validate(values)


def test_a_copy_that_sorts_before_its_film_is_refused():
    values = demo_settings().model_dump()
    values["copies"] = [{"file": "spring/keeper-01-again.dcm", "of": "spring/keeper-01.dcm"}]
    with pytest.raises(ValidationError, match="sorts before"):
        DemoSettings.model_validate(values)


def test_shares_must_add_up_and_unknown_keys_are_refused(tmp_path):
    values = archive_settings().model_dump()
    values["film"]["views"] = {"dp": 0.5, "oblique": 0.2, "lateral": 0.1}
    with pytest.raises(ValidationError, match="add up"):
        ArchiveSettings.model_validate(values)
    (tmp_path / "archive.yaml").write_text("film: {}\nmarkers: {}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"archive\.yaml"):
        load(ArchiveSettings, tmp_path / "archive.yaml")

"""The flow of films as a drawing: every count of the table stands in it, and it needs no colour.

That it can be read in grey is checked on its pixels (common practice, no source).
"""

import io
import re

import numpy as np
import pytest
from PIL import Image

from raysplay.infer.agreement import agreement
from raysplay.infer.agreement.flow_diagram import flow_diagram
from raysplay.infer.agreement.reads import Unused


@pytest.fixture
def found(tmp_path, make_island, write_run):
    island = make_island(films=30, readers=("AB", "CD", "EF"))
    films = [film for film, _ in island.feet]
    run = write_run(tmp_path / "run", island, {films[3]: "refused"}, withheld={(films[5], "ima")}, lost={films[7]})
    reads = island.tidy(tmp_path / "reads.csv")
    with reads.open("a") as stream:
        stream.write("elsewhere/x.dcm,L,AB,1,hva,20.0\n" + reads.read_text().splitlines()[1] + "\n")
    return agreement(run, [reads])


def test_every_count_stands_in_the_drawing(found):
    said = flow_diagram(found.flow).caption
    for step in found.flow:
        if step.count or not step.out:
            assert re.search(rf"\b{step.count}\b", said), step
    for words in (
        "rows of the tables: 362",
        f"1 rows or cells: {Unused.TWICE.value}",
        f"1 rows or cells: {Unused.UNKNOWN_FILM.value}",
        "films read: 30 of 30 films of the run",
        "1 feet: refused by the run",
        "IMA read by somebody: 30; compared: 27",
        "1 feet: IMA withheld by the run",
    ):
        assert words in " ".join(said.split()), words


def test_what_goes_on_and_what_is_left_out_add_up(found):
    """Feet read are those of every decision; of a measure, those compared and those left out."""
    by_name = {(step.what, step.measure): step for step in found.flow}
    decisions = [step.count for step in found.flow if step.of == "feet read" and not step.measure]
    assert sum(decisions) == by_name["feet read", ""].count
    for measure, short in (("hva", "HVA"), ("ima", "IMA")):
        whole = by_name[f"{short} read by somebody", measure]
        parts = [step.count for step in found.flow if step.of == whole.what]
        assert sum(parts) == whole.count


def test_it_is_black_and_white(found):
    picture = flow_diagram(found.flow)
    pixels = np.asarray(Image.open(io.BytesIO(picture.png)).convert("RGB")).astype(int)
    assert np.ptp(pixels, axis=2).max() == 0
    assert pixels.min() == 0
    assert picture.width <= 170  # fits between the margins of A4 and Letter


def test_it_stands_in_page_and_folder(found, tmp_path):
    found.write(tmp_path / "out")
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert re.search(r'<svg role="img" aria-label="Flow of films, feet and numbers', page)
    assert (tmp_path / "out" / "plots" / "flow.svg").read_bytes().startswith(b"<?xml")


def test_without_a_run_there_are_no_decisions(tmp_path, island):
    said = flow_diagram(agreement(None, [island.tidy(tmp_path / "reads.csv")]).flow).caption
    assert "run" not in said
    assert "HVA read by somebody: 40" in said

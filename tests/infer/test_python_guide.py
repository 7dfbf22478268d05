"""The guide for Python says what happens: its examples run, on the invented archive and with the shipped networks."""

import re
from pathlib import Path

import pytest

from raysplay.infer import Outcome, read_run
from raysplay.synthetic_data.demo import write_demo

GUIDE = Path(__file__).parents[2] / "infer" / "PYTHON.md"
BLOCKS = re.findall(r"```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"), flags=re.DOTALL)


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    """What every block of the guide printed, run one after the other, and the names that they left."""
    import contextlib
    import io
    import os

    home = tmp_path_factory.mktemp("guide")
    write_demo(home / "archive")
    before, names, printed = os.getcwd(), {}, []
    os.chdir(home)
    try:
        for block in BLOCKS:
            with contextlib.redirect_stdout(io.StringIO()) as said:
                exec(compile(block, str(GUIDE), "exec"), names)
            printed.append(said.getvalue())
    finally:
        os.chdir(before)
    return home, names, printed


def test_every_block_says_something(ran):
    _, _, printed = ran
    assert len(printed) == len(BLOCKS) == 11
    assert all(printed)


def test_one_film_in_five_lines(ran):
    """Its numbers are those of the film among the others of the archive."""
    _, names, printed = ran
    assert len([line for line in BLOCKS[0].splitlines() if line]) <= 5
    assert re.search(r"keeper-01.dcm; R; accepted; HVA \d+\.\d deg \(\d+\.\d to \d+\.\d\), shaft; IMA \d", printed[0])
    (film,) = [film for film in names["films"] if film.film.endswith("keeper-01.dcm")]
    assert str(film.feet[0]["hva"]) in printed[0]


def test_what_is_no_film_or_needs_a_person_is_said_with_its_reason(ran):
    """The archive has a truncated film, a text file, a hand, a copy, a wrong side marker."""
    _, _, printed = ran
    for words in ("truncated", "a text file", "no foot found", "same file as", "side conflict", "not a dorsoplantar"):
        assert words in printed[2]
    assert "loading 0 of 12" in printed[2]
    assert "measuring 12 of 12" in printed[2]
    assert re.search(r"\d+ of \d+ feet accepted, none of them confirmed", printed[2])


def test_the_run_that_it_writes_is_one(ran):
    home, _, printed = ran
    run = read_run(home / "results")
    assert [foot.side for foot in run.feet()] == ["L", "R"]
    for foot in run.feet():
        assert foot.decision is Outcome.ACCEPTED
        assert str(foot["ima"]) in printed[4]
    assert "'measure': 'hva'" in printed[5]


def test_given_points_and_errors_are_told(ran):
    _, _, printed = ran
    assert "IMA 5.7 deg" in printed[6]  # arctan(10 / 100) = 5.71 degrees
    assert "the points show a right foot, not a left one" in printed[6]
    assert "nowhere: no such file or folder 2" in printed[10]


def test_a_study_of_agreement_gives_tables(ran):
    """Shrout and Fleiss 1979 without their last rating of the last target, which is then left out."""
    home, names, printed = ran
    assert re.search(r"hva Keeper and Nurse bias -?0\.\d+ ", printed[7])
    assert "films_by_formula" in printed[7]
    assert (home / "agreement" / "report.pdf").is_file()
    assert names["found"].figures.to_pandas().shape[0] == names["found"].figures.num_rows > 30
    assert "1 film(s) that not all readers read are left out" in printed[8]


def test_a_report_of_the_run_has_its_numbers(ran):
    """One film with two accepted feet, compared with itself."""
    home, _, printed = ran
    assert printed[9].startswith("1 1 {'accepted': 2, 'review': 0, 'refused': 0}\nhva 2 ")
    assert "\nTrue ()\nreport.html\n" in printed[9]
    assert (home / "report.html").read_text(encoding="utf-8").startswith("<!doctype html>")


def test_the_readme_leads_to_it():
    assert "(infer/PYTHON.md)" in (GUIDE.parents[1] / "README.md").read_text(encoding="utf-8")

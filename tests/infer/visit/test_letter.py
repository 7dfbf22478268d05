"""The letter of referral and the card on taking films: what stands in them, who stands for them, one sheet."""

import re
import shutil
import subprocess
from html import escape

import pytest

from raysplay.configs.new_film_error import new_film_error
from raysplay.configs.protocol import protocol
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.report.document import Bullets, DataTable, Notice, Paragraph
from raysplay.infer.report.pdf_file import pdf_file
from raysplay.infer.report.web_page import web_page
from raysplay.infer.review.requests import ReadSent
from raysplay.infer.review.settings import review_settings
from raysplay.infer.visit.conditions import Conditions, Stated
from raysplay.infer.visit.language import language, languages
from raysplay.infer.visit.letter import NOT_ON_FILM, letter_of
from raysplay.infer.visit.persons import persons_of
from raysplay.infer.visit.report import ReportGround, report_of
from raysplay.infer.visit.signed import Signed
from raysplay.infer.visit.technique_card import technique_card

SIGNED = Signed("AB", "2026-11-28T21:30:00+00:00", True)
WRITTEN = {
    "to": "The surgeon of Merrow Skerry",
    "pain": "on the stairs of the tower",
    "tried": "a wider boot, two months",
}


@pytest.fixture
def person_of(make_run, open_desk, tmp_path):
    """``person_of(films, stated, confirm=[1, 2])`` gives a person, what is left out, and the ground of a report."""

    def made(films, stated=None, confirm=(), name="en"):
        desk = open_desk(make_run(films))
        for number in confirm:
            desk.save(number, "AB", ReadSent(run=desk.run.identity, version=0, request=f"r{number}", verdict="confirm"))
        conditions = Conditions({film: Stated(film, **about) for film, about in (stated or {}).items()})
        (person,), left = persons_of(desk, conditions)
        errors = {one: error for one in ("hva", "ima") if (error := new_film_error(one))}
        hand, run = review_settings().hand_placed, tmp_path / "run"
        limits = decision_settings()
        ground = ReportGround("0" * 12, run, desk.run.protocol(), limits, hand, errors, language(name))
        return person, left, ground

    return made


def text_of(blocks):
    said = []
    for block in blocks:
        if isinstance(block, Paragraph | Notice):
            said.append(block.text)
        elif isinstance(block, Bullets):
            said += block.items
        elif isinstance(block, DataTable):
            said += [" | ".join(row) for row in block.rows]
    return "\n".join(said)


def notices(blocks):
    return [block.text for block in blocks if isinstance(block, Notice)]


@pytest.mark.parametrize("names", [("b.dcm", "c.dcm"), ("c.dcm", "b.dcm")])
@pytest.mark.parametrize("other", [{"worn": "splint", "loading": "full"}, {"worn": "nothing", "loading": "none"}])
def test_the_change_in_the_letter_is_that_to_the_film_of_the_record(person_of, film_of, foot_of, names, other):
    """A film of the same day with a splint, or without load, must not stand for it, whatever it is called."""
    last, beside = names
    films = {
        "a.dcm": film_of(feet=(foot_of(hva=20.0),)),
        last: film_of(taken="2026-03-01", feet=(foot_of(hva=31.0),)),
        beside: film_of(taken="2026-03-01", feet=(foot_of(hva=22.0),)),
    }
    alike = {"worn": "nothing", "loading": "full"}
    person, left, ground = person_of(dict(sorted(films.items())), {"a.dcm": alike, last: alike, beside: other})
    said = text_of(letter_of(person, left, ground, WRITTEN, SIGNED))
    (hva,) = [line for line in said.splitlines() if "HVA" in line and "1 March 2025" in line]
    assert "+11.0 degrees, beyond error" in hva


def test_numbers_of_the_letter_are_those_of_the_record(person_of, film_of, foot_of):
    person, left, ground = person_of({"a.dcm": film_of(feet=(foot_of(hva=31.0, ima=14.0),))}, confirm=[1])
    letter, report = letter_of(person, left, ground, WRITTEN, SIGNED), report_of(person, left, ground)
    rows = {block.caption: block.rows for block in report if isinstance(block, DataTable)}["Last film of each foot"]
    own = {block.caption: block.rows for block in letter if isinstance(block, DataTable)}["Last film of each foot"]
    assert [row[:4] for row in own] == [row[:4] for row in rows]
    assert own[0][2].startswith("31.0")
    assert "confirmed by AB" in own[0][4]


@pytest.mark.parametrize(
    ("confirmed", "signed", "unconfirmed"), [([1], True, 0), ([1], False, 1), ([], True, 1), ([], False, 1)]
)
def test_what_nobody_stands_for_says_so_in_large_letters(person_of, film_of, confirmed, signed, unconfirmed):
    person, left, ground = person_of({"a.dcm": film_of()}, confirm=confirmed)
    by = Signed("CD", SIGNED.at, signed)
    for blocks in (letter_of(person, left, ground, {}, by), report_of(person, left, ground, "", by)):
        assert len(notices(blocks)) == unconfirmed
        assert ("Confirmed by CD, 28 November 2026, 21:30 UTC." in text_of(blocks)) == signed


def test_what_no_film_shows_stands_as_written_or_has_its_line(person_of, film_of):
    person, left, ground = person_of({"a.dcm": film_of()}, confirm=[1])
    blocks = letter_of(person, left, ground, WRITTEN, SIGNED)
    table = next(one for one in blocks if isinstance(one, DataTable) and one.caption == "What no film shows")
    said = dict(table.rows)
    assert len(said) == len(NOT_ON_FILM)
    assert said["Pain (where, when, how strong)"] == WRITTEN["pain"]
    assert said["Footwear"].strip("_") == ""
    assert len(said["Footwear"]) > 20


def test_lines_to_write_on_have_room_on_the_page_as_on_paper(person_of, film_of):
    person, left, ground = person_of({"a.dcm": film_of()})
    blocks = letter_of(person, left, ground, {}, SIGNED)
    page = web_page("Letter", blocks)
    for table in (one for one in blocks if isinstance(one, DataTable)):
        (kind,) = re.findall(rf'<div class="([^"]+)"[^>]*aria-label="{re.escape(escape(table.caption))}"', page)
        assert ("roomy" in kind.split()) == table.roomy
        assert "short" in kind.split(), "no such table is torn by the end of a printed page"


def test_the_letter_says_how_films_were_taken_and_compares_none_of_two_techniques(person_of, film_of, foot_of):
    films = {
        "a.dcm": film_of(feet=(foot_of(hva=34.0),)),
        "b.dcm": film_of(taken="2026-03-01", feet=(foot_of(hva=20.0),)),
    }
    stated = {
        "a.dcm": {"worn": "nothing", "stance": "gait", "tilt": 15.0},
        "b.dcm": {"worn": "nothing", "stance": "parallel", "tilt": 15.0, "distance": 100.0, "marker": "exposed"},
    }
    person, left, ground = person_of(films, stated)
    said = text_of(letter_of(person, left, ground, {}, SIGNED))
    assert "feet parallel" in said
    assert "100 cm" in said
    assert "exposed with the film" in said
    assert "not comparable: different technique: stance gait and parallel" in said
    assert "−14.0" not in said


def test_a_film_that_a_person_put_there_is_told_in_the_report(person_of, film_of):
    person, left, ground = person_of({"a.png": film_of(person="")}, {"a.png": {"person": "P-07", "person_by": "AB"}})
    assert "said by AB on the page" in text_of(report_of(person, left, ground))


@pytest.mark.parametrize("name", languages())
def test_the_card_is_one_sheet_and_its_numbers_are_those_of_the_rules(name, tmp_path):
    words = language(name)
    blocks = technique_card(words)
    text = text_of(blocks)
    limit = protocol().change.largest_tilt_difference.value
    assert f"{limit:g} " in next(one for one in text.splitlines() if "0.08" in one or "0,08" in one)
    # Magnification of bone h above the detector, tube at D: D / (D - h), intercept theorem.
    for distance, told in ((100.0, 2.0), (60.0, 3.4)):
        assert round(100.0 * (distance / (distance - 2.0) - 1.0), 1) == told
        assert f"{told:g}".replace(".", words.decimal) in text
    for paper, size in (("A4", (595.3, 841.9)), ("Letter", (612.0, 792.0))):  # points: ISO 216; ANSI Y14.1 size A
        content = pdf_file("card", blocks, paper)
        (box,) = set(re.findall(rb"/MediaBox \[ ?0 0 ([\d.]+) ([\d.]+) ?\]", content))
        assert [float(one) for one in box] == pytest.approx(size, abs=0.1)
        if shutil.which("pdfinfo"):
            path = tmp_path / f"{paper}.pdf"
            path.write_bytes(content)
            told = subprocess.run(["pdfinfo", str(path)], capture_output=True, check=True, text=True).stdout
            assert re.search(r"^Pages:\s+1$", told, flags=re.MULTILINE), told

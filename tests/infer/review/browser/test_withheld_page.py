"""What the run withheld has no number on the page until somebody asks for it and takes it."""

import csv
import re

import pytest
from typer.testing import CliRunner

from raysplay.train.cli import app

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect

ROW = "[data-measure=ima45]"


def exported(folder, store, out):
    result = CliRunner().invoke(app, ["export", str(folder), "--store", store, "--out", str(out)])
    assert result.exit_code == 0, result.output
    with (out / "feet_reviewed.csv").open(newline="", encoding="utf-8") as table:
        return {row["film"]: row for row in csv.DictReader(table)}


@pytest.fixture
def reader(serve, doubts, enter):
    return enter(serve(doubts), "AB").open("tide/wide.dcm").stay()


def test_the_row_says_why_and_shows_no_number(reader, doubts, store, tmp_path):
    page = reader.page
    row = page.locator(ROW)
    assert reader.number("ima45") is None
    expect(row).to_contain_text("withheld by the run: its interval is too wide")
    expect(row.locator(".grade")).to_have_text("")
    # What published groups show is of no foot in particular, and stands there whatever this one's number is.
    told = row.text_content().replace(row.locator(".reference").text_content(), "")
    assert "Reference" not in told
    assert not re.search(r"\d\.\d", told)
    page.keyboard.press("Enter")
    reader.wait_for_state("confirmed")
    assert reader.number("ima45") is None
    out = exported(doubts, store, tmp_path / "out")["tide/wide.dcm"]
    assert (out["hva_source"], out["ima45"], out["ima45_source"]) == ("confirmed by AB", "", "")


def test_correcting_another_bone_does_not_bring_it_out(reader):
    before = reader.number()
    reader.drag("M1d_med", -30, 0)
    reader.wait_until_not("hva", before)
    reader.settled_number()
    assert reader.number("ima45") is None


def test_it_is_looked_at_and_taken_by_itself(reader, doubts, store, tmp_path, violations):
    page = reader.page
    look = page.get_by_role("button", name="Look at the number: IMA 4-5")
    look.click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("8.0°")
    expect(dialog).to_contain_text("90 % interval")
    assert violations(page) == []
    page.keyboard.press("Enter")  # leaves it withheld
    assert reader.number("ima45") is None
    look.click()
    page.get_by_role("button", name="Take IMA 4-5 as it is").click()
    expect(page.locator("#value-ima45")).to_have_text("8.0°")
    expect(page.locator(ROW)).to_contain_text("accepted by AB, withheld by the run: wide interval")
    expect(page.locator(".standing")).to_contain_text("IMA 4-5 taken")
    page.keyboard.press("Control+z")
    expect(page.locator("#value-ima45")).to_have_text("–")
    page.keyboard.press("Control+y")
    expect(page.locator("#value-ima45")).to_have_text("8.0°")
    page.keyboard.press("Control+Enter")
    reader.wait_for_state("confirmed")
    page.locator("summary").click()
    expect(page.locator(".history li")).to_contain_text("IMA 4-5 accepted by AB, withheld by the run: wide interval")
    out = exported(doubts, store, tmp_path / "out")["tide/wide.dcm"]
    assert out["ima45"] == "8.0"
    assert out["ima45_source"] == "accepted by AB, confirmed by AB, withheld by the run: wide interval"
    page.reload()
    reader.wait_for_film()
    assert reader.number("ima45") == 8.0


def test_what_was_taken_is_withheld_again_when_its_points_move(reader):
    page = reader.page
    page.get_by_role("button", name="Look at the number: IMA 4-5").click()
    page.get_by_role("button", name="Take IMA 4-5 as it is").click()
    expect(page.locator("#value-ima45")).to_have_text("8.0°")
    reader.choose("M5d_lat")
    page.keyboard.press("Shift+ArrowLeft")
    expect(page.locator("#value-ima45")).to_have_text("–")
    page.keyboard.press("Control+Enter")
    reader.wait_for_state("corrected")
    assert reader.number("ima45") is None


def test_it_can_be_given_back(reader):
    page = reader.page
    page.get_by_role("button", name="Look at the number: IMA 4-5").click()
    page.get_by_role("button", name="Take IMA 4-5 as it is").click()
    page.get_by_role("button", name="Withhold it again: IMA 4-5").click()
    expect(page.locator("#value-ima45")).to_have_text("–")


def test_the_doubtful_points_lead_there(reader):
    page = reader.page
    page.locator("a.back").click()
    page.wait_for_selector("tr.current")
    reader.open("tide/weak.dcm", "Left").stay()
    row = page.locator(ROW)
    expect(row).to_contain_text("it stands on doubtful points")
    for code, name in (("M5p_lat", "lateral edge, 30 %"), ("M5d_med", "medial edge, 70 %")):
        row.get_by_role("button", name=f"fifth metatarsal, {name}").click()
        assert page.locator(f"#point-{code}").get_attribute("aria-selected") == "true"
        page.keyboard.press("Alt+ArrowLeft")
        reader.settled_number()
    expect(page.locator("#value-ima45")).to_have_text(re.compile(r"[78]\.\d°"))


def test_marks_stand_with_their_numbers(reader):
    """Nothing is proven without the weights of proof.yaml; what has no number bears no mark."""
    page = reader.page
    expect(page.locator("[data-measure=hva] .marks-of")).to_have_text("unproven")
    expect(page.locator(f"{ROW} .marks-of")).to_have_text("")

"""A wrong side asks two questions, and shows what becomes of every number before anything is saved."""

import csv
import re

import pytest
from typer.testing import CliRunner

from raysplay.train.cli import app

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect

STAY, ANEW = "On the bones", "On another foot"


def exported(folder, store, out):
    result = CliRunner().invoke(app, ["export", str(folder), "--store", store, "--out", str(out)])
    assert result.exit_code == 0, result.output
    with (out / "feet_reviewed.csv").open(newline="", encoding="utf-8") as table:
        return {row["film"]: row for row in csv.DictReader(table)}


def cells(page):
    """Before and after by what it is, as the dialog shows them."""
    expect(page.locator("dialog tbody")).not_to_contain_text("working out")
    rows = page.locator("dialog tbody tr").all()
    return {row.locator("th").text_content(): tuple(row.locator("td").all_text_contents()) for row in rows}


@pytest.fixture
def reader(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    reader.page.get_by_role("button", name="Wrong side…").click()
    return reader


def test_a_mirrored_film_changes_the_name_alone(reader, harbour_page, store, tmp_path):
    """An earlier version turned 32.0, moderate, into -32.0, normal."""
    page = reader.page
    page.get_by_role("button", name="Save: wrong side").click()
    expect(page.locator("dialog .missing")).to_have_text("Answer both questions first.")
    page.get_by_label(STAY).check()
    told = cells(page)
    assert told["Called"] == ("Right foot", "Left foot")
    assert told["HVA"] == ("32.0°, moderate", "32.0°, moderate")
    assert told["IMA"] == ("14.0°, moderate", "14.0°, moderate")
    assert reader.state() == "open"
    page.get_by_role("button", name="Save: wrong side").click()
    reader.wait_for_state("wrong_side")
    expect(page.locator("h1")).to_have_text("spring/cook.dcm, Left foot")
    expect(page.locator(".mirrored")).to_contain_text("shows this left foot as a right foot: mirrored")
    assert reader.settled_number() == 32.0
    page.locator("summary").click()
    expect(page.locator(".history li")).to_contain_text("Right foot → Left foot")
    page.locator("a.back").click()
    expect(page.locator("tbody tr", has_text="spring/cook.dcm")).to_contain_text("Left")
    row = exported(harbour_page.folder, store, tmp_path / "out")["spring/cook.dcm"]
    assert (row["foot"], row["hva"], row["hva_source"]) == ("L", "32.0", "model, side stated by AB")


def test_points_on_the_wrong_foot_are_saved_without_numbers(reader, harbour_page, store, tmp_path):
    page = reader.page
    page.get_by_label(ANEW).check()
    told = cells(page)
    assert told["HVA"] == ("32.0°, moderate", "no number")
    page.get_by_role("button", name="Save: wrong side").click()
    reader.wait_for_state("wrong_side")
    assert reader.number() is None
    assert page.locator(".marks .point").count() == 0
    row = exported(harbour_page.folder, store, tmp_path / "out")["spring/cook.dcm"]
    assert (row["foot"], row["hva"]) == ("L", "")


def test_points_are_placed_anew_at_once_and_undo_brings_all_back(reader):
    page = reader.page
    page.get_by_label(STAY).check()
    page.get_by_role("button", name="Place the points anew now").click()
    expect(page.locator("dialog .missing")).to_have_text("By your answer the points stay.")
    page.get_by_label(ANEW).check()
    cells(page)
    page.get_by_role("button", name="Place the points anew now").click()
    expect(page.locator(".point-card")).to_contain_text("Click the middle of the base of the first metatarsal")
    page.get_by_role("button", name="Switch guide lines off").click()
    expect(page.locator(".point-card")).to_contain_text("Point 1 of")
    expect(page.locator("h1")).to_contain_text("Left foot")
    assert reader.settled_number() is None
    assert page.locator(".stage .axis").count() == 0
    expect(page.locator(".standing")).to_contain_text("points to be placed anew")
    page.keyboard.press("Control+z")
    expect(page.locator("h1")).to_contain_text("Right foot")
    expect(page.locator("#value-hva")).to_have_text("32.0°")
    assert page.locator(".stage .axis.m1").count() == 1
    expect(page.locator("#confirm")).to_have_text(re.compile("^Confirm"))


def test_escape_changes_nothing(reader):
    reader.page.keyboard.press("Escape")
    assert reader.state() == "open"
    expect(reader.page.locator("h1")).to_contain_text("Right foot")
    expect(reader.page.locator("#confirm")).to_have_text(re.compile("^Confirm"))


def test_a_side_that_is_the_same_is_no_answer(reader):
    page = reader.page
    page.get_by_label("Right foot", exact=True).check()
    page.get_by_label(STAY).check()
    page.get_by_role("button", name="Save: wrong side").click()
    expect(page.locator("dialog .missing")).to_have_text("The foot is called so already.")


def test_the_other_foot_of_the_film_is_pointed_at(harbour_page):
    page = harbour_page.reader.open("spring/mate.dcm").stay().page
    page.get_by_role("button", name="Wrong side…").click()
    page.get_by_label(STAY).check()
    expect(page.locator("dialog .hint")).to_contain_text("both names are wrong")
    cells(page)
    page.get_by_role("button", name="Save: wrong side").click()
    harbour_page.reader.wait_for_state("wrong_side")
    page.reload()
    harbour_page.reader.wait_for_film()
    expect(page.locator(".reasons")).to_contain_text("two feet of this film are called left now")


def test_a_blind_reader_is_asked_for_the_name_alone(serve, harbour, enter, tmp_path):
    study = tmp_path / "study.yaml"
    study.write_text("{name: tide, seed: 4, readers: [AB], feet: {films: ['spring/cook*']}}")
    reader = enter(serve(harbour, study=study), "AB")
    page = reader.page
    page.locator("#first-open").click()
    reader.wait_for_film().stay()
    page.get_by_role("button", name="Wrong side…").click()
    assert page.locator("dialog").get_by_label(STAY).count() == 0
    assert not re.search(r"\d\.\d|HVA|number", page.locator("dialog").text_content())
    page.get_by_role("button", name="Save: wrong side").click()
    reader.wait_for_state("wrong_side")
    expect(page.locator("h1")).to_contain_text("Left foot")

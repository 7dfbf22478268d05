"""From looking to the reviewed table: verdicts, history, readers that meet, servers that go away."""

import csv
import re

import pytest
from typer.testing import CliRunner

from raysplay.train.cli import app

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect


def exported(folder, store, out):
    """Rows of the reviewed table by film and foot."""
    result = CliRunner().invoke(app, ["export", str(folder), "--store", store, "--out", str(out)])
    assert result.exit_code == 0, result.output
    with (out / "feet_reviewed.csv").open(newline="", encoding="utf-8") as table:
        return {(row["film"], row["foot"]): row for row in csv.DictReader(table)}


def test_confirm_goes_on_to_the_next_foot_and_into_the_table(harbour_page, store, tmp_path):
    reader = harbour_page.reader
    page = reader.page
    page.locator("#first-open").click()
    reader.wait_for_film()
    # Two reasons against one: the pilot's foot stands first.
    expect(page.locator("h1")).to_contain_text("spring/pilot.dcm")
    page.keyboard.press("Enter")
    expect(page.locator("h1")).to_contain_text("spring/mate.dcm")
    expect(page.locator("#progress")).to_contain_text("1 of 5 feet settled")
    row = exported(harbour_page.folder, store, tmp_path / "table")["spring/pilot.dcm", "L"]
    assert "AB" in row.values()
    assert "confirmed" in ",".join(row.values())


def test_a_correction_is_saved_with_its_points_and_numbers(harbour_page, store, tmp_path):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    reader.drag("M1d_med", -30, 0)
    x, y = reader.film_place()
    corrected = reader.settled_number()
    page.fill("#note", "cortex was blurred")
    page.get_by_role("button", name=re.compile("Save the correction")).click()
    reader.wait_for_state("corrected")
    page.locator("summary").click()
    history = page.locator(".history li")
    expect(history).to_have_count(1)
    expect(history).to_contain_text("corrected by AB")
    expect(history).to_contain_text("cortex was blurred")
    expect(history).to_contain_text("1 point changed")
    row = exported(harbour_page.folder, store, tmp_path / "table")["spring/cook.dcm", "R"]
    assert float(row["hva"]) == pytest.approx(corrected, abs=0.06)
    with (tmp_path / "table" / "corrected_landmarks.csv").open(newline="", encoding="utf-8") as table:
        (point,) = [r for r in csv.DictReader(table) if r["film"] == "spring/cook.dcm" and r["landmark"] == "M1d_med"]
    assert (float(point["x"]), float(point["y"])) == pytest.approx((x, y), abs=0.006)
    page.reload()
    reader.wait_for_film().choose("M1d_med")
    assert reader.film_place() == pytest.approx((x, y), abs=0.006)
    assert reader.number() == corrected


def test_a_settled_foot_changes_only_after_it_was_reopened(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    page.keyboard.press("Enter")
    reader.wait_for_state("confirmed")
    reader.choose("M1d_med")
    before = reader.film_place()
    reader.drag("M1d_med", 40, 0)
    page.keyboard.press("ArrowLeft")
    assert reader.film_place() == before
    expect(page.locator(".standing")).to_contain_text("Confirmed by AB")
    page.locator("#reopen").click()
    reader.wait_for_state("open")
    page.keyboard.press("f")
    reader.choose("M1d_med")
    page.keyboard.press("Shift+ArrowLeft")
    assert reader.film_place() == pytest.approx((before[0] - 1, before[1]), abs=0.011)
    page.keyboard.press("Control+Enter")
    reader.wait_for_state("corrected")
    page.locator("summary").click()
    verdicts = page.locator(".history li strong").all_text_contents()
    assert verdicts == ["corrected", "reopened", "confirmed"]


def test_what_cannot_be_measured_needs_a_reason(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    page.keyboard.press("u")
    page.keyboard.press("Enter")
    expect(page.locator("dialog .missing")).to_have_text("Choose a reason first.")
    page.get_by_label("not weight-bearing").check()
    page.keyboard.press("Enter")
    reader.wait_for_state("not_measurable")
    page.locator("summary").click()
    expect(page.locator(".history li")).to_contain_text("not weight-bearing")


def test_a_wrong_view_is_asked_for_before_it_is_saved(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    page.get_by_role("button", name="Wrong view…").click()
    page.keyboard.press("Escape")
    assert reader.state() == "open"
    page.get_by_role("button", name="Wrong view…").click()
    page.get_by_role("button", name=re.compile("^Save:")).click()
    reader.wait_for_state("wrong_view")
    expect(page.locator("#value-hva")).to_have_text("–")
    expect(page.locator("[data-measure=hva] .interval")).to_have_text("wrong view")
    page.wait_for_timeout(300)
    assert reader.settled_number() is None


def test_what_is_not_saved_is_not_left_without_asking(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm")
    page = reader.page
    reader.choose("M1d_med")
    page.keyboard.press("ArrowLeft")
    moved = reader.film_place()
    page.keyboard.press("n")
    expect(page.get_by_role("dialog")).to_contain_text("1 point")
    page.keyboard.press("Escape")
    assert reader.film_place() == moved
    page.locator("a.back").click()
    page.get_by_role("button", name="Leave, and lose the changes").click()
    page.wait_for_selector("tr.current")


def test_a_foot_in_other_hands_can_be_looked_at_only(harbour_page, enter):
    harbour_page.reader.open("spring/cook.dcm")
    other = enter(harbour_page.served, "CD").open("spring/cook.dcm")
    page = other.page
    expect(page.locator("[data-banner=claim]")).to_contain_text("AB is working on this foot")
    expect(page.locator("#confirm")).to_be_disabled()
    other.choose("M1d_med")
    before = other.film_place()
    page.keyboard.press("ArrowLeft")
    assert other.film_place() == before
    harbour_page.reader.page.locator("a.back").click()
    harbour_page.reader.page.wait_for_selector("tr.current")
    page.get_by_role("button", name="Try to take it").click()
    expect(page.locator("#confirm")).to_be_enabled()


@pytest.fixture
def overtaken(harbour_page, enter, violations):
    """AB has moved a point and not saved; CD took the foot when AB's claim was gone, and saved."""
    first = harbour_page.reader.open("spring/cook.dcm").stay()
    first.drag("M1d_med", -30, 0)
    first.call("/api/feet/1/claim", "DELETE")
    second = enter(harbour_page.served, "CD").open("spring/cook.dcm").stay()
    second.drag("M1d_med", 25, 0)
    second.page.fill("#note", "by CD")
    second.page.keyboard.press("Control+Enter")
    second.wait_for_state("corrected")
    second.page.locator("a.back").click()
    second.page.wait_for_selector("tr.current")
    first.mine = first.settled_number()
    first.page.keyboard.press("Enter")
    dialog = first.page.get_by_role("dialog")
    expect(dialog).to_contain_text("CD saved this foot")
    expect(dialog).to_contain_text("by CD")
    expect(dialog).to_contain_text(f"{first.mine:.1f}°")
    assert violations(first.page) == []
    return first


def whole(reader):
    """What the page shows of a read: number, construction, name, note, the moved point and an axis that it turns."""
    page = reader.page
    return {
        "hva": reader.number(),
        "construction": page.locator("#construction").input_value(),
        "heading": page.locator("h1").text_content(),
        "note": page.locator("#note").input_value(),
        "point": [round(v) for v in reader.place("M1d_med")],
        "axis": page.locator(".stage .axis.m1 .line").first.get_attribute("d"),
    }


def test_each_of_two_reads_is_shown_whole(harbour_page, enter):
    """Points, axes, numbers, name, construction and note of one reader at a time, with no answer of the server needed:
    theirs after choosing it, one's own by Undo at once, theirs again by Redo."""
    first = harbour_page.reader.open("spring/cook.dcm").stay()
    page = first.page
    first.drag("M1d_med", -30, 0)
    page.select_option("#construction", "head_base")
    page.fill("#note", "by AB")
    first.settled_number()
    mine = whole(first)
    first.call("/api/feet/1/claim", "DELETE")
    second = enter(harbour_page.served, "CD").open("spring/cook.dcm").stay()
    second.drag("M1d_med", 25, 0)
    second.page.fill("#note", "by CD")
    second.settled_number()
    second.page.keyboard.press("Control+Enter")
    second.wait_for_state("corrected")
    theirs = whole(second)
    second.page.locator("a.back").click()
    second.page.wait_for_selector("tr.current")
    page.locator("#confirm").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("head base")
    expect(dialog).to_contain_text(f"{theirs['hva']:.1f}°")
    expect(dialog).to_contain_text(f"{mine['hva']:.1f}°")
    page.route("**/api/measure", lambda route: None)
    page.get_by_role("button", name="Look at theirs").click()
    first.wait_for_state("corrected")
    assert whole(first) == theirs
    page.locator("#main").focus()
    page.keyboard.press("Control+z")
    first.wait_for_state("open")
    assert whole(first) == mine
    page.keyboard.press("Control+y")
    first.wait_for_state("corrected")
    assert whole(first) == theirs
    page.unroute("**/api/measure")


def test_look_at_theirs_and_get_ones_own_back(overtaken):
    page = overtaken.page
    page.get_by_role("button", name="Look at theirs").click()
    overtaken.wait_for_state("corrected")
    overtaken.wait_until_not("hva", overtaken.mine)
    page.locator("#reopen").click()
    overtaken.wait_for_state("open")
    page.keyboard.press("Control+z")
    expect(page.locator("#value-hva")).to_have_text(f"{overtaken.mine:.1f}°")
    page.locator("#confirm").click()
    overtaken.wait_for_state("corrected")
    page.locator("summary").click()
    expect(page.locator(".history li p:first-child").first).to_contain_text("corrected by AB")


def test_ones_own_is_saved_over_theirs_after_looking_at_both(overtaken):
    """Back from theirs, a save is again one on the version that was loaded: both reads are laid side by side again."""
    page = overtaken.page
    page.get_by_role("button", name="Look at theirs").click()
    overtaken.wait_for_state("corrected")
    page.keyboard.press("Control+z")
    overtaken.wait_for_state("open")
    page.locator("#confirm").click()
    page.get_by_role("button", name="Save mine over theirs").click()
    overtaken.wait_for_state("corrected")
    assert overtaken.settled_number() == overtaken.mine


def test_save_over_theirs_which_stays_in_the_history(overtaken):
    page = overtaken.page
    page.get_by_role("button", name="Save mine over theirs").click()
    overtaken.wait_for_state("corrected")
    page.locator("summary").click()
    lines = page.locator(".history li p:first-child")
    expect(lines).to_have_count(2)
    assert [line.split(",")[0] for line in lines.all_text_contents()] == ["corrected by AB", "corrected by CD"]
    assert overtaken.settled_number() == overtaken.mine


def test_going_on_with_ones_own_loses_nothing(overtaken):
    page = overtaken.page
    page.keyboard.press("Escape")
    assert overtaken.state() == "open"
    assert overtaken.number() == overtaken.mine
    expect(page.locator(".standing")).to_contain_text("1 point changed")


def test_a_read_waits_for_a_server_that_does_not_answer(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    reader.choose("M1d_med")
    page.keyboard.press("Shift+ArrowLeft")
    place = reader.film_place()
    reader.context.set_offline(True)
    page.keyboard.press("Enter")
    expect(page.locator("[data-banner=waiting]")).to_contain_text("kept in this page")
    expect(page.locator("[data-banner=server]")).to_be_visible()
    assert reader.film_place() == place
    reader.context.set_offline(False)
    reader.wait_for_state("corrected")
    expect(page.locator("[data-banner=waiting]")).to_have_count(0)
    expect(page.locator("[data-banner=server]")).to_have_count(0)
    page.locator("summary").click()
    expect(page.locator(".history li")).to_have_count(1)


def test_a_server_started_anew_takes_the_read_that_waits(harbour_page, open_desk):
    """Another session, another one-time address: opened in a second tab, it lets the first one go on."""
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    reader.drag("M1d_med", -20, 0)
    place, number = reader.film_place(), reader.settled_number()
    harbour_page.served.stop()
    page.keyboard.press("Enter")
    told = page.locator("[data-banner=server]")
    expect(told).to_contain_text("does not answer")
    again = type(harbour_page.served)(open_desk(harbour_page.folder), port=harbour_page.served.server.port)
    try:
        expect(told).to_contain_text("started anew")
        reader.context.new_page().goto(f"{again.base}/start?token={again.door.token}")
        reader.wait_for_state("corrected")
        expect(told).to_have_count(0)
        assert (reader.film_place(), reader.number()) == (place, number)
        page.locator("summary").click()
        expect(page.locator(".history li")).to_contain_text("corrected by AB")
    finally:
        again.stop()


def test_a_read_whose_answer_was_lost_is_saved_once(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    reader.drag("M1d_med", -20, 0)
    tries = []

    def lose_first(route):
        tries.append(route.fetch())
        if len(tries) == 1:
            route.abort()
        else:
            route.fulfill(response=tries[-1])

    page.route("**/reads", lose_first)
    page.keyboard.press("Enter")
    reader.wait_for_state("corrected")
    assert len(tries) == 2
    page.locator("summary").click()
    expect(page.locator(".history li")).to_have_count(1)


def test_a_film_that_is_gone_is_told(serve, make_run, films_folder, enter):
    served = serve(make_run({"cook.dcm": [("R", "accepted", [])]}))
    (films_folder / "cook.dcm").unlink()
    page = enter(served, "AB").page
    page.locator("tbody tr", has_text="cook.dcm").locator("a").click()
    expect(page.locator("[data-banner=film]")).to_be_visible()
    expect(page.locator("#value-hva")).not_to_have_text("–")

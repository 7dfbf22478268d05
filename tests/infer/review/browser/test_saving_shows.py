"""That a read was saved can be seen; nothing unsaved is left by mistake; files without a foot are not in the way."""

import re

import pytest

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect


def test_what_was_saved_and_when_stays_in_sight(harbour_page):
    reader = harbour_page.reader
    page = reader.page
    expect(page.locator("#saved")).to_be_hidden()
    page.locator("#first-open").click()
    reader.wait_for_film()
    page.keyboard.press("Enter")
    saved = page.locator("#saved")
    expect(saved).to_be_visible()
    text = saved.text_content()
    when = reader.call("/api/feet/4")["history"][-1]["when"]
    time = page.evaluate(
        "(when) => new Date(when).toLocaleTimeString([], { hour: '2-digit', minute: '2-digit', second: '2-digit' })",
        when,
    )
    assert " ".join(text.split()) == " ".join(f"✓ Saved at {time}: spring/pilot.dcm, left foot: confirmed".split())
    expect(page.locator("#announcer")).to_contain_text("Saved: spring/pilot.dcm, left foot: confirmed")
    # On the next foot and on the worklist, too.
    expect(page.locator("h1")).to_contain_text("spring/mate.dcm")
    page.keyboard.press("Escape")
    page.wait_for_selector("tr.current")
    expect(saved).to_have_text(text)


def test_nothing_is_called_saved_before_the_server_said_so(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    page.route("**/reads", lambda route: route.fulfill(status=503, json={"error": "The store is full."}))
    page.keyboard.press("Enter")
    expect(page.get_by_role("dialog")).to_contain_text("Not saved")
    expect(page.locator("#saved")).to_be_hidden()


@pytest.mark.parametrize("way", ["next", "worklist"])
def test_leaving_offers_to_save(harbour_page, way):
    reader = harbour_page.reader.open("spring/cook.dcm")
    page = reader.page
    reader.choose("M1d_med")
    page.keyboard.press("Shift+ArrowLeft")
    moved = reader.film_place()
    if way == "next":
        page.keyboard.press("n")
    else:
        page.locator("a.back").click()
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text("1 point")
    expect(dialog.get_by_role("button", name="Leave, and lose the changes")).to_be_visible()
    expect(dialog.get_by_role("button", name="Stay here")).to_be_visible()
    dialog.get_by_role("button", name="Save the correction, and leave").click()
    if way == "next":
        expect(page.locator("h1")).not_to_contain_text("spring/cook.dcm")
    else:
        page.wait_for_selector("tr.current")
    expect(page.locator("#saved")).to_contain_text("spring/cook.dcm, right foot: corrected")
    foot = reader.call("/api/feet/1")
    (point,) = [one for one in foot["points"] if one["moved"]]
    assert (point["code"], foot["state"]) == ("M1d_med", "corrected")
    assert (point["x"], point["y"]) == pytest.approx(moved, abs=0.006)


def test_leaving_with_a_save_that_fails_stays(harbour_page):
    reader = harbour_page.reader.open("spring/cook.dcm")
    page = reader.page
    reader.choose("M1d_med")
    page.keyboard.press("Shift+ArrowLeft")
    moved = reader.film_place()
    page.route("**/reads", lambda route: route.fulfill(status=503, json={"error": "The store is full."}))
    page.keyboard.press("n")
    page.get_by_role("button", name="Save the correction, and leave").click()
    expect(page.get_by_role("dialog")).to_contain_text("Not saved")
    page.get_by_role("button", name="Back", exact=True).click()
    expect(page.locator("h1")).to_contain_text("spring/cook.dcm")
    assert reader.film_place() == moved
    expect(page.locator(".standing")).to_contain_text("1 point changed")


def test_a_note_alone_is_not_confirmed_unasked(harbour_page):
    """Enter in the question must not give a verdict that the reader did not give."""
    reader = harbour_page.reader.open("spring/cook.dcm")
    page = reader.page
    page.fill("#note", "ask the film's maker")
    page.locator("a.back").click()
    expect(page.get_by_role("dialog")).to_contain_text("A note is saved together with a verdict")
    expect(page.get_by_role("button", name="Confirm, and leave")).to_be_visible()
    page.keyboard.press("Enter")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(page.locator("h1")).to_contain_text("spring/cook.dcm")
    assert reader.call("/api/feet/1")["version"] == 0


def test_an_impossible_angle_is_saved_only_after_a_question(harbour_page):
    """`shape.values` of configs/decision.yaml: no foot film gives an IMA beyond 32 degrees."""
    reader = harbour_page.reader.open("spring/cook.dcm").stay()
    page = reader.page
    for code in ("M1d_med", "M1d_lat"):
        reader.drag(code, -160, 60)
    value = reader.settled_number("ima")
    assert value > 32
    page.keyboard.press("Enter")
    dialog = page.get_by_role("dialog")
    expect(dialog).to_contain_text(f"Between the first metatarsal and the second metatarsal: IMA {value:.1f}°")
    expect(dialog).to_contain_text("feet give −10.0° to 32.0°")
    page.keyboard.press("Escape")
    assert reader.state() == "open"
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Save as it is").click()
    reader.wait_for_state("corrected")


def test_files_without_a_foot_have_their_own_list(harbour_page):
    page = harbour_page.reader.page
    expect(page.locator("#progress")).to_have_text("0 of 5 feet settled0 of 1 files without a foot")
    assert "autumn/hand.dcm" not in page.locator("tbody").text_content()
    page.get_by_role("button", name="Files without a foot (1)").click()
    expect(page.locator(".found")).to_have_text("1 file without a foot")
    row = page.locator("tbody tr[data-index]")
    expect(row).to_have_count(1)
    expect(row).to_contain_text("autumn/hand.dcm")
    expect(row).to_contain_text("No foot was found on this film")
    expect(page.locator("#filter-side")).to_be_hidden()
    page.locator("#first-open").click()
    expect(page.locator("h1")).to_have_text("autumn/hand.dcm, no foot found")
    harbour_page.reader.wait_for_film()
    # No side is asked for: there is nothing that could have one.
    confirm = page.locator("#confirm")
    expect(confirm).to_be_enabled()
    expect(confirm).to_contain_text("Confirm the refusal")
    expect(page.locator(".standing")).to_have_text("")
    page.keyboard.press("Enter")
    expect(page.locator("#saved")).to_contain_text("autumn/hand.dcm: refusal confirmed")
    expect(page.locator("#progress")).to_contain_text("0 of 5 feet settled")
    expect(page.locator("#progress")).to_contain_text("1 of 1 files without a foot")


def test_a_foot_that_was_missed_needs_its_side(harbour_page):
    """Where a reader places points after all, a number without a side would be wrong on every other foot."""
    page = harbour_page.reader.page
    page.get_by_role("button", name="Files without a foot (1)").click()
    page.locator("tbody tr th a").first.click()
    harbour_page.reader.wait_for_film()
    page.get_by_role("button", name="Place one after the other").click()
    page.get_by_role("button", name="Switch guide lines off").click()
    page.locator(".stage").click(position={"x": 300, "y": 200})
    page.get_by_role("button", name="Stop placing").click()
    expect(page.locator("#confirm")).to_be_disabled()
    expect(page.locator(".standing")).to_contain_text("No side stated yet")
    page.get_by_label("Side of the foot").select_option("R")
    expect(page.locator("#confirm")).to_be_enabled()
    expect(page.locator("#confirm")).to_contain_text("Save the correction")


def test_the_first_open_foot_is_one_that_nobody_else_has(harbour_page, enter):
    first = harbour_page.reader
    first.page.locator("#first-open").click()
    first.wait_for_film()
    expect(first.page.locator("h1")).to_contain_text("spring/pilot.dcm")
    second = enter(harbour_page.served, "CD")
    row = second.page.locator("tbody tr", has_text="spring/pilot.dcm")
    expect(row).to_contain_text("with AB")
    second.page.locator("#first-open").click()
    second.wait_for_film()
    expect(second.page.locator("h1")).to_contain_text("spring/mate.dcm")


def test_where_others_have_every_open_foot_their_initials_are_told(serve, make_run, enter):
    served = serve(make_run({"a.dcm": [("R", "accepted", [])]}))
    first = enter(served, "AB").open("a.dcm")
    second = enter(served, "CD").page
    second.locator("#first-open").click()
    expect(second.locator(".found")).to_contain_text("in the hands of AB")
    assert "#/foot" not in second.url
    first.page.locator("a.back").click()
    first.page.wait_for_selector("tr.current")
    second.locator("#first-open").click()
    expect(second.locator("h1")).to_contain_text("a.dcm")


SAID = re.compile(r"TypeError|undefined|null|NaN|\[object|Exception|JSON|HTTP|_|px\b|\bat \w+ \(")


def test_a_fault_of_the_page_is_told_in_plain_words(harbour_page):
    page = harbour_page.reader.page
    page.evaluate("void setTimeout(() => Promise.reject(new TypeError('x is undefined')))")
    told = page.locator("[data-banner=failure]")
    expect(told).to_contain_text("load the page again")
    assert harbour_page.reader.faults == ["x is undefined"]
    harbour_page.reader.faults.clear()
    assert not SAID.search(told.text_content())


def test_a_file_that_is_no_film_says_so_in_plain_words(serve, make_run, films_folder, enter):
    run = make_run({"a.dcm": [("R", "accepted", [])], "notes.dcm": []})
    (films_folder / "notes.dcm").write_text("The tide table of the harbour.")
    page = enter(serve(run), "AB").page
    page.get_by_role("button", name="Files without a foot (1)").click()
    page.locator("tbody tr th a").first.click()
    told = page.locator(".stage .loading")
    expect(told).to_contain_text("cannot be shown")
    assert not SAID.search(told.text_content())
    expect(page.locator("#confirm")).to_be_enabled()


def test_wrong_initials_are_told_what_to_be(serve, harbour, enter):
    page = enter(serve(harbour)).page
    for wrong in ("?!", "a b", ""):
        page.fill("#initials", wrong)
        page.keyboard.press("Enter")
        expect(page.locator("#initials-error")).to_have_text(
            "Initials are one to eight letters or digits, without blanks. Type them again."
        )
        expect(page.locator("#initials")).to_be_focused()

"""No number on the page is of other points, another foot, another read or another run than it seems to be."""

import json
import re

import pytest

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect


class Held:
    """Requests that wait until they are let go."""

    def __init__(self, page, pattern):
        self.waiting = []
        page.route(pattern, lambda route: self.waiting.append(route))

    def wait(self, page, count=1):
        for _ in range(200):
            if len(self.waiting) >= count:
                return self.waiting[count - 1]
            page.wait_for_timeout(25)
        raise AssertionError(f"{len(self.waiting)} requests, not {count}")


@pytest.fixture
def reader(harbour_page):
    return harbour_page.reader.open("spring/cook.dcm").stay()


def test_a_number_of_earlier_points_is_marked_until_the_answer_comes(reader, violations):
    page = reader.page
    numbers = page.locator(".numbers")
    held = Held(page, "**/api/measure")
    before = reader.number()
    reader.drag("M1d_med", -30, 0)
    request = held.wait(page)
    expect(numbers).to_have_class(re.compile("pending"))
    expect(numbers).to_have_attribute("aria-busy", "true")
    assert reader.number() == before
    assert violations(page) == []
    # The axis on the film belongs to the points already.
    assert page.locator(".stage .axis.m1").count() == 1
    reader.drag("M1d_med", -30, 0)
    request.continue_()
    second = held.wait(page, 2)
    expect(numbers).to_have_class(re.compile("pending"))
    second.continue_()
    page.wait_for_timeout(300)
    for later in held.waiting[2:]:
        later.continue_()
    expect(numbers).not_to_have_class(re.compile("pending"))
    page.unroute("**/api/measure")
    assert reader.settled_number() != before


LABEL = """
(label) => {
  const [text, box] = [label.querySelector('text'), label.querySelector('rect')].map((one) => getComputedStyle(one));
  return [label.textContent, text.fontStyle, text.textDecorationLine, text.fill, box.strokeDasharray];
}
"""


def test_an_angle_on_the_film_is_marked_while_it_is_of_earlier_points(reader):
    """By letters, a line through them and a broken frame, so that no eye for colour is needed (WCAG 2.2, 1.4.1)."""
    page = reader.page
    label = page.locator(".stage .words [data-angle=hva]")
    settled = label.evaluate(LABEL)
    held = Held(page, "**/api/measure")
    reader.drag("M1d_med", -30, 0)
    request = held.wait(page)
    expect(label).to_have_class("angle pending")
    expect(label).to_have_text("HVA 32.0°")
    pending = label.evaluate(LABEL)
    assert all(one != other for one, other in zip(pending[1:], settled[1:], strict=True)), (settled, pending)
    request.continue_()
    held.wait(page, 2).continue_()
    expect(label).to_have_class("angle")
    expect(label).not_to_have_text("HVA 32.0°")
    assert label.evaluate(LABEL)[1:] == settled[1:]


def test_the_axis_on_the_film_is_of_its_points_at_once(reader):
    """Drawn from the points of the page, it waits for no answer."""
    page = reader.page
    Held(page, "**/api/measure")
    line = page.locator(".stage .axis.m1 .line")
    before = line.get_attribute("d")
    reader.choose("M1d_med")
    page.keyboard.press("Control+ArrowLeft")
    expect(line).not_to_have_attribute("d", before)
    page.keyboard.press("Control+z")
    expect(line).to_have_attribute("d", before)


def test_where_points_have_no_numbers_none_are_shown(reader):
    page = reader.page
    page.route("**/api/measure", lambda route: route.fulfill(status=422, json={"error": "It cannot be measured."}))
    reader.choose("M1d_med")
    page.keyboard.press("Control+ArrowLeft")
    expect(page.locator("#value-hva")).to_have_text("–")
    expect(page.locator("[data-measure=hva] .interval")).to_have_text("no numbers of these points yet")
    expect(page.locator("[data-measure=hva] .grade")).to_have_text("")
    expect(page.locator("[data-banner=measure]")).to_contain_text("no numbers of these points")
    page.unroute("**/api/measure")
    page.keyboard.press("Control+z")
    expect(page.locator("#value-hva")).to_have_text("32.0°")


def test_an_answer_for_another_foot_is_not_shown(reader):
    page = reader.page

    def other(route):
        answer = route.fetch()
        body = answer.json()
        body["id"] = 2
        body["measures"][0]["value"] = 77.7
        route.fulfill(response=answer, json=body)

    page.route("**/api/measure", other)
    reader.choose("M1d_med")
    page.keyboard.press("Control+ArrowLeft")
    page.wait_for_timeout(500)
    expect(page.locator("#value-hva")).not_to_have_text("77.7°")


def test_a_read_that_was_saved_meanwhile_is_told_and_mixes_into_no_number(reader, harbour_page, enter):
    """Numbers stay those of the reader's own points, whole; saving lays both reads side by side."""
    page = reader.page
    reader.drag("M1d_med", -30, 0)
    mine = reader.settled_number()
    reader.call("/api/feet/1/claim", "DELETE")
    other = enter(harbour_page.served, "CD").open("spring/cook.dcm").stay()
    other.drag("PPd_med", 40, 0)
    other.page.keyboard.press("Control+Enter")
    other.wait_for_state("corrected")
    other.page.locator("a.back").click()
    other.page.wait_for_selector("tr.current")
    reader.choose("M5d_lat")
    page.keyboard.press("ArrowLeft")
    expect(page.locator("[data-banner=overtaken]")).to_contain_text("Somebody else saved this foot")
    assert reader.settled_number() == mine
    page.keyboard.press("Control+Enter")
    expect(page.get_by_role("dialog")).to_contain_text("CD saved this foot")


def test_a_reader_who_has_gone_elsewhere_is_not_called_back(reader):
    """The answer to a save comes when another foot is open."""
    page = reader.page
    page.locator("#go-on").check()
    held = Held(page, "**/reads")
    page.keyboard.press("Enter")
    request = held.wait(page)
    page.locator("a.back").click()
    page.wait_for_selector("tr.current")
    reader.open("spring/pilot.dcm", "Left")
    request.continue_()
    page.wait_for_timeout(600)
    expect(page.locator("h1")).to_contain_text("spring/pilot.dcm")


def test_a_server_with_another_run_shows_nothing_on_this_page(reader, harbour_page, visits, open_desk):
    """Started anew at the same port, the cookie renewed in a second tab: foot 1 is another foot now."""
    page = reader.page
    harbour_page.served.stop()
    again = type(harbour_page.served)(open_desk(visits), port=harbour_page.served.server.port)
    try:
        reader.drag("M1d_med", -30, 0)
        reader.context.new_page().goto(f"{again.base}/start?token={again.door.token}")
        expect(page.locator("[data-banner=measure]")).to_contain_text("another run")
        expect(page.locator("#value-hva")).to_have_text("–")
        page.keyboard.press("Control+Enter")
        expect(page.get_by_role("dialog")).to_contain_text("another run")
        page.keyboard.press("Escape")
        page.keyboard.press("Control+z")
        page.locator("a.back").click()
        page.wait_for_selector("tr.current")
        page.locator("tbody tr a").first.click()
        expect(page.locator(".failed, [data-banner=server]").first).to_contain_text("another run")
    finally:
        again.stop()


def test_a_run_that_was_measured_anew_is_told(serve, make_run, enter):
    run = make_run({"cook.dcm": [("R", "accepted", [])]}, "anew", "anew_films")
    reader = enter(serve(run), "AB").open("cook.dcm").stay()
    page = reader.page
    about = json.loads((run / "run.json").read_text())
    (run / "run.json").unlink()
    (run / "run.json").write_text(json.dumps({**about, "wall_seconds": 77.0}))
    reader.drag("M1d_med", -30, 0)
    expect(page.locator("[data-banner=measure]")).to_contain_text("measured anew")
    expect(page.locator("#value-hva")).to_have_text("–")
    page.keyboard.press("Control+Enter")
    expect(page.get_by_role("dialog")).to_contain_text("Nothing was saved")


def test_of_two_films_to_compare_the_last_choice_counts(serve, make_run, enter):
    """The answer for the first comes after that for the second."""
    foot = [("R", "accepted", [])]
    days = {f"{k}.dcm": ("22" * 8, f"2026-0{k}-01") for k in (1, 2, 3)}
    reader = enter(serve(make_run(dict.fromkeys(days, foot), "three", "three_films", persons=days)), "AB")
    page = reader.open("1.dcm").page
    page.keyboard.press("o")
    page.wait_for_selector(".compare .axis.m2")
    held = Held(page, "**/api/feet/3?*")
    page.select_option("#other", "3")
    first = held.wait(page)
    page.select_option("#other", "2")
    page.wait_for_timeout(300)
    first.continue_()
    page.wait_for_timeout(400)
    expect(page.locator(".compare .hint")).to_contain_text("2026-02-01")
    assert page.locator("#other").input_value() == "2"

"""The worklist where there is little room, and reasons that do not fit."""

import re

import pytest

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect

LONG = [
    ("view_doubtful", "view doubtful: dorsoplantar 0.61, oblique 0.39"),
    ("foot_doubtful", "foot doubtful: score 0.41"),
    ("side_doubtful", "side doubtful: L at 0.62"),
]


@pytest.fixture
def crowded(make_run):
    """Long names, several reasons, and feet enough to scroll."""
    wanted = {f"spring/the-lighthouse-keeper-of-the-far-island-{k:02}.dcm": [("L", "review", LONG)] for k in range(40)}
    return make_run(wanted)


CUT = """
() => {
  const scroll = document.querySelector('.scroll').getBoundingClientRect();
  const cells = [...document.querySelectorAll('thead th, tbody tr[data-index] > *')]
    .filter((one) => one.checkVisibility());
  const out = cells.filter((one) => one.getBoundingClientRect().right > scroll.right + 1);
  const wide = cells.filter((one) => one.scrollWidth > one.clientWidth + 1);
  const badges = [...document.querySelectorAll('.badge')].filter((one) => one.scrollWidth > one.clientWidth + 1
    || one.getBoundingClientRect().right > one.closest('td').getBoundingClientRect().right);
  const rows = [...document.querySelectorAll('tbody tr[data-index]')];
  const high = rows.filter((one) => Math.abs(one.offsetHeight - 44) > 0.5);
  return [...out, ...wide, ...badges, ...high].map((one) => `${one.tagName} ${one.textContent} ${one.offsetHeight}`);
}
"""


@pytest.mark.parametrize("width", [768, 1024, 1366])
def test_nothing_of_the_worklist_is_cut_off(serve, crowded, enter, width):
    reader = enter(serve(crowded), "AB", viewport={"width": width, "height": 800}, has_touch=width < 1200)
    page = reader.page
    for k, (verdict, rest) in enumerate(
        [("confirm", {}), ("wrong_view", {}), ("wrong_side", {}), ("cannot_be_measured", {"reason": "other"})], start=1
    ):
        reader.call(f"/api/feet/{k}/reads", "POST", {"version": 0, "verdict": verdict, **rest})
    page.reload()
    page.wait_for_selector("tr.current")
    expect(page.locator("tbody .badge.not_measurable").first).to_be_attached()
    assert page.evaluate(CUT) == []
    assert page.evaluate(
        "document.querySelector('.scroll').scrollWidth <= document.querySelector('.scroll').clientWidth"
    )
    for measure in ("hva", "ima"):
        cell = page.locator(f"tbody tr[data-index='9'] [data-column={measure}]")
        expect(cell).to_be_visible()
        assert re.fullmatch(r"−?\d+\.\d°", cell.text_content())


@pytest.mark.parametrize("way", ["tap", "keys"])
def test_reasons_that_do_not_fit_are_unfolded(serve, crowded, enter, way):
    reader = enter(serve(crowded), "AB", viewport={"width": 768, "height": 1024}, has_touch=True)
    page = reader.page
    rows = page.locator("tbody tr[data-index]")
    third = rows.nth(2).bounding_box()
    if way == "tap":
        rows.nth(1).locator("button.why").tap()
    else:
        page.locator(".scroll").focus()
        page.keyboard.press("ArrowDown")
        page.keyboard.press("ArrowRight")
    details = page.locator("tr.details")
    expect(details).to_have_count(1)
    for words in ("dorsoplantar 61 %, oblique 39 %", "41 % sure that it is one", "side doubtful: left, 62 % sure"):
        expect(details).to_contain_text(words)
    expect(details).to_contain_text("widest interval")
    assert details.evaluate("(row) => row.scrollWidth <= row.clientWidth + 1")
    expect(page.locator("button.why[aria-expanded=true]")).to_have_count(1)
    # What lies below moves down by as much as the details are high, and scrolling still ends at the last row.
    assert rows.nth(2).bounding_box()["y"] == pytest.approx(third["y"] + details.bounding_box()["height"], abs=1)
    assert "#/foot" not in page.url
    height = details.bounding_box()["height"]
    page.locator(".scroll").evaluate("(one) => { one.scrollTop = one.scrollHeight; }")
    expect(page.locator("tr[aria-rowindex='41']")).to_be_visible()
    # The details are out of sight and not drawn; rows still lie where they would with them.
    expect(details).to_have_count(0)
    top = page.locator("tr[aria-rowindex='41']").evaluate(
        "(row) => row.offsetTop - row.closest('table').tHead.offsetHeight"
    )
    assert top == pytest.approx(39 * 44 + height, abs=1)
    last = page.locator("tr[aria-rowindex='41']").bounding_box()
    scroll = page.locator(".scroll").bounding_box()
    assert last["y"] + last["height"] <= scroll["y"] + scroll["height"] + 1
    page.locator(".scroll").evaluate("(one) => { one.scrollTop = 0; }")
    if way == "tap":
        page.locator("button.why[aria-expanded=true]").tap()
    else:
        page.locator(".scroll").focus()
        page.keyboard.press("ArrowLeft")
    expect(details).to_have_count(0)


def test_reasons_of_a_film_open_by_tap_and_close_by_escape(serve, crowded, enter):
    reader = enter(serve(crowded), "AB", viewport={"width": 768, "height": 1024}, has_touch=True)
    page = reader.page
    page.locator("tbody tr th a").first.tap()
    reader.wait_for_film()
    page.locator(".reasons button").tap()
    panel = page.locator(".reasons-panel")
    for words in ("dorsoplantar 61 %, oblique 39 %", "41 % sure that it is one", "left, 62 % sure"):
        expect(panel).to_contain_text(words)
    box = panel.bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= 768
    page.keyboard.press("Escape")
    expect(panel).to_be_hidden()
    assert "#/foot" in page.url


LEFT_OUT = """
() => [...document.querySelectorAll('.who h1, .who .badge, .who .decision, .reasons .fits')].filter((one) => {
  const { left, right } = one.getBoundingClientRect();
  const block = getComputedStyle(one).display !== 'inline';
  return left < 0 || right > innerWidth || block && (one.scrollWidth > one.clientWidth + 1 ||
    one.scrollHeight > one.clientHeight + 1);
}).map((one) => one.textContent)
"""


@pytest.mark.parametrize("size", [(768, 1024), (1024, 768), (1366, 768)])
def test_the_heading_of_a_foot_and_its_reasons_are_there_whole(serve, crowded, enter, size):
    reader = enter(serve(crowded), "AB", viewport=dict(zip(("width", "height"), size, strict=True)))
    page = reader.page
    page.locator("tbody tr th a").first.click()
    reader.wait_for_film()
    assert page.evaluate(LEFT_OUT) == []
    told = page.locator(".reasons .fits").text_content()
    for words in ("dorsoplantar 61 %, oblique 39 %", "41 % sure that it is one", "left, 62 % sure"):
        assert words in told
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


@pytest.mark.parametrize("chosen", [False, True])
def test_on_a_laptop_numbers_film_and_verdict_are_seen_without_scrolling(serve, crowded, enter, chosen):
    """1366 x 768, a common small laptop (common practice, no source)."""
    reader = enter(serve(crowded), "AB", viewport={"width": 1366, "height": 768})
    page = reader.page
    page.locator("tbody tr th a").first.click()
    reader.wait_for_film()
    if chosen:
        reader.choose("M1d_med")
    assert page.evaluate("document.scrollingElement.scrollHeight <= innerHeight")
    panel, stage = page.locator(".side-scroll").bounding_box(), page.locator(".stage").bounding_box()
    measures = page.locator(".measure")
    assert measures.count() == 3
    for measure in measures.all():
        box = measure.bounding_box()
        assert panel["y"] <= box["y"]
        assert box["y"] + box["height"] <= panel["y"] + panel["height"], "value, interval, grade and marks"
    for button in page.locator(".verdict button:visible").all():
        box = button.bounding_box()
        assert box["y"] >= panel["y"] + panel["height"]
        assert box["y"] + box["height"] <= 768
    assert stage["height"] >= 768 / 2
    for code in ("PPd_med", "M1p_med", "M5p_lat", "M2d_med"):
        x, y = reader.place(code)
        assert stage["x"] < x < stage["x"] + stage["width"]
        assert stage["y"] < y < stage["y"] + stage["height"]


def test_the_order_can_be_chosen_where_its_column_is_not_shown(serve, harbour, enter):
    reader = enter(serve(harbour), "AB", viewport={"width": 768, "height": 1024}, has_touch=True)
    page = reader.page
    expect(page.locator("thead [data-column=widest]")).to_be_hidden()
    page.select_option("#order", "film")
    expect(page.locator("tbody tr th a").first).to_have_text("spring/cook.dcm")
    page.select_option("#order", label="Widest interval first")
    expect(page.locator("#order")).to_have_value("width")
    expect(page.locator("tbody tr th a").last).to_have_text("autumn/side.dcm")

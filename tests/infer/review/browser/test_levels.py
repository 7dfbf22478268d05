"""Levels on the page are those of the run, in words and in the oval round a point; cautions go by their kind.

The oval: two independent normal errors lie within r standard deviations with the probability of a chi-squared
distribution of two degrees of freedom at r squared (any textbook of statistics); scipy is the reference.
"""

import json
import re

import pytest
from scipy.stats import chi2

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect

CALL = """
async ([module, name, given]) => {
  const found = await import(`/page/modules/${module}.js`);
  return given.map((one) => found[name](one));
}
"""


def told(reader, **session):
    """The page, loaded again with something else in the answer to its first question."""

    def answer(route):
        given = route.fetch()
        route.fulfill(response=given, body=json.dumps({**given.json(), **session}))

    reader.page.unroute("**/api/session")
    reader.page.route("**/api/session", answer)
    reader.page.reload()
    return reader


def test_a_level_is_printed_as_it_is(harbour_page):
    levels = {0.9: "90 %", 0.95: "95 %", 0.683: "68.3 %", 0.6827: "68.27 %", 0.9973: "99.73 %", 0.5: "50 %"}
    page = harbour_page.reader.page
    assert page.evaluate(CALL, ["words", "levelWords", list(levels)]) == list(levels.values())


@pytest.mark.parametrize("level", [0.5, 0.683, 0.9, 0.95, 0.9973])
def test_the_oval_holds_its_share_of_cases(harbour_page, level):
    (reach,) = harbour_page.reader.page.evaluate(CALL, ["overlay", "reach", [level]])
    assert reach == pytest.approx(chi2.ppf(level, 2) ** 0.5, rel=1e-9)


def width_of_oval(page):
    """Of the oval round the chosen point, CSS pixels."""
    path = page.locator(".stage .spread").first
    expect(path).to_have_count(1)
    xs = [float(x) for x in re.findall(r"[ML](-?[\d.]+) ", path.get_attribute("d"))]
    return max(xs) - min(xs)


def test_oval_and_words_follow_the_level_of_the_run(serve, doubts, enter):
    reader = enter(serve(doubts), "AB").open("tide/wide.dcm")
    page = reader.page
    widths = {}
    for level, words in ((0.9, "90 %"), (0.683, "68.3 %"), (0.95, "95 %")):
        told(reader, level=level).wait_for_film()
        reader.choose("M5d_lat")
        page.locator(".stage").press("1")
        page.evaluate("() => new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn)))")
        widths[level] = width_of_oval(page)
        expect(page.locator("[data-measure=hva] .interval")).to_contain_text(f"{words}:")
        page.get_by_role("button", name="Look at the number: IMA 4-5").click()
        expect(page.get_by_role("dialog")).to_contain_text(f"{words} interval")
        page.keyboard.press("Escape")
        page.locator("#help").click()
        expect(page.get_by_role("dialog")).to_contain_text(f"the true place lies in {words} of cases")
        page.keyboard.press("Escape")
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        expect(page.locator(".print-sheet thead")).to_contain_text(f"{words} interval")
        page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    for level, width in widths.items():
        assert width / widths[0.9] == pytest.approx((chi2.ppf(level, 2) / chi2.ppf(0.9, 2)) ** 0.5, rel=0.02)


@pytest.mark.parametrize(
    ("cautions", "said"),
    [
        ([("device", "For research; this is no medical device."), ("use", "A person confirms.")], None),
        ([("use", "A person confirms.")], "Not a medical device. A person confirms."),
        ([("use", "Not a medical device, they say.")], "Not a medical device. Not a medical device, they say."),
        ([], "Not a medical device."),
    ],
)
def test_cautions_go_by_their_kind(harbour_page, cautions, said):
    """That this is no medical device stands on page and sheet, once, however it is worded."""
    said = said or " ".join(text for _, text in cautions)
    reader = told(harbour_page.reader, cautions=[{"kind": kind, "text": text} for kind, text in cautions])
    page = reader.page
    page.wait_for_selector("tr.current")
    expect(page.locator("#caution")).to_have_text(said)
    reader.open("spring/cook.dcm")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator(".print-sheet .warning").text_content() == said

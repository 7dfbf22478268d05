"""Text on buttons can be read in every state, by day and by night: WCAG 2.2, 1.4.3, at least 4.5 to 1. Ratios by the
formula of that standard (relative luminance), worked out here from the colours that the browser gives."""

import pytest

pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested")

LEAST = 4.5
STATES = (
    [],
    ["hover"],
    ["active"],
    ["hover", "active"],
    ["focus", "focus-visible"],
    ["hover", "focus", "focus-visible"],
)

PAIRS = """
() => [...document.querySelectorAll('button')].filter((one) => one.checkVisibility()).flatMap((button) => {
  const canvas = document.createElement('canvas');
  canvas.width = canvas.height = 1;
  const context = canvas.getContext('2d', { willReadFrequently: true });
  const texts = [button, ...button.querySelectorAll('*')].filter((one) =>
    [...one.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim()));
  return texts.map((text) => {
    const above = [];
    for (let one = text; one; one = one.parentElement) above.unshift(getComputedStyle(one).backgroundColor);
    context.clearRect(0, 0, 1, 1);
    for (const colour of ['white', ...above]) { context.fillStyle = colour; context.fillRect(0, 0, 1, 1); }
    const ground = [...context.getImageData(0, 0, 1, 1).data.slice(0, 3)];
    context.fillStyle = getComputedStyle(text).color;
    context.fillRect(0, 0, 1, 1);
    const ink = [...context.getImageData(0, 0, 1, 1).data.slice(0, 3)];
    return { name: button.textContent.trim() || button.getAttribute('aria-label'), ground, ink };
  });
})
"""


def luminance(colour):
    """WCAG 2.2, relative luminance."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (part / 255 for part in colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_known_ratios():
    """Black on white is 21 to 1; #767676 on white is the lightest grey that passes 4.5 (W3C's technique G18)."""
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21)
    assert contrast((0x76,) * 3, (255,) * 3) == pytest.approx(4.54, abs=0.01)
    assert contrast((0x77,) * 3, (255,) * 3) < 4.5


def too_pale(page, cdp, where):
    """Buttons whose text is too pale in some state, and the least ratio of all."""
    root = cdp.send("DOM.getDocument", {"depth": 0})["root"]["nodeId"]
    nodes = cdp.send("DOM.querySelectorAll", {"nodeId": root, "selector": "button"})["nodeIds"]
    pale, least = [], 21.0
    for states in STATES:
        for node in nodes:
            cdp.send("CSS.forcePseudoState", {"nodeId": node, "forcedPseudoClasses": states})
        for pair in page.evaluate(PAIRS):
            ratio = contrast(pair["ink"], pair["ground"])
            least = min(least, ratio)
            if ratio < LEAST:
                pale.append(f"{where}: {pair['name'][:30]} {'+'.join(states) or 'at rest'} {ratio:.2f}")
    for node in nodes:
        cdp.send("CSS.forcePseudoState", {"nodeId": node, "forcedPseudoClasses": []})
    return pale, least


@pytest.mark.parametrize("colours", ["light", "dark"])
def test_every_button_can_be_read_in_every_state(harbour, serve, enter, colours, record_property):
    reader = enter(serve(harbour), "AB", color_scheme=colours)
    page = reader.page
    cdp = reader.context.new_cdp_session(page)
    cdp.send("DOM.enable")
    cdp.send("CSS.enable")
    found, ratios = [], []

    def look(where):
        # As it is, with all that can be pressed pressed, and with everything switched off.
        for change in (
            "",
            "one.hasAttribute('aria-pressed') && one.setAttribute('aria-pressed', 'true')",
            "one.setAttribute('aria-disabled', 'true')",
            "one.disabled = true",
        ):
            page.evaluate(f"document.querySelectorAll('button').forEach((one) => {{ {change} }})")
            pale, least = too_pale(page, cdp, where)
            found.extend(pale)
            ratios.append(least)
        page.evaluate("document.querySelectorAll('button').forEach((one) => { one.disabled = false; })")

    look("worklist")
    page.reload()
    page.wait_for_selector("tr.current")
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("tr.details")
    reader.open("spring/pilot.dcm", "Left")
    reader.choose("M1d_med")
    page.get_by_role("button", name="View: grey values and turn").click()
    page.locator(".reasons button").click()
    look("film")
    page.reload()
    reader.wait_for_film()
    reader.choose("M1d_med")
    page.keyboard.press("t")
    look("placing")
    page.reload()
    reader.wait_for_film()
    page.keyboard.press("u")
    look("dialog")
    record_property("least_contrast", round(min(ratios), 2))
    print(f"{colours}: least contrast {min(ratios):.2f}")
    assert found == []

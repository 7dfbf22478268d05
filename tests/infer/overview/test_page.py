"""The page in a browser: no violation of the rules of axe-core, nothing fetched, all of it legible on paper."""

import pytest

from raysplay.infer.overview import overview

from .conftest import archive, change_about, write_run


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    """Another program, shifted numbers, new films: every section stands on it."""
    home = tmp_path_factory.mktemp("page")
    before = write_run(home / "before", archive(40, feet=2))
    new = archive(30, shift=0.7, feet=2) + archive(20, seed=6, first=100, shift=4.0)
    for number, one in enumerate(new):
        one.sex, one.age = "FM"[number % 2], ("20 to 29", "")[number % 2]
    now = write_run(home / "now", new)
    change_about(now, lambda about: about["digests"]["weights"].update({"landmarks.safetensors": "cd" * 32}))
    return overview(now, against=before).write(home / "report.html")


def test_the_page_opens_without_a_network_and_without_violations(chromium, page_file):
    """axe-core, all its rules (github.com/dequelabs/axe-core), and WCAG 2.2 among them."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="NO AXE: rules were not looked at")
    context = chromium.new_context(offline=True, bypass_csp=True)
    asked = []
    page = context.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.goto(page_file.as_uri())
    assert asked == [page_file.as_uri()]
    results = axe.Axe().run(page)
    assert results.violations_count == 0, results.generate_report()
    context.close()


@pytest.mark.parametrize("width", [360, 794, 1280])
def test_nothing_but_tables_scrolls_sideways(chromium, page_file, width):
    context = chromium.new_context(viewport={"width": width, "height": 800}, java_script_enabled=True, bypass_csp=True)
    page = context.new_page()
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_on_paper_no_table_is_cut_off(chromium, page_file, paper):
    """Widths of A4 and Letter less the margins of the page (15 mm either side), at 96 pixels an inch."""
    inside = {"A4": 210.0 - 30.0, "Letter": 215.9 - 30.0}[paper] / 25.4 * 96.0
    context = chromium.new_context(viewport={"width": int(inside), "height": 1000}, bypass_csp=True)
    page = context.new_page()
    page.goto(page_file.as_uri())
    page.emulate_media(media="print")
    wide = page.evaluate(
        "width => [...document.querySelectorAll('table, svg')]"
        ".filter((one) => one.getBoundingClientRect().right > width + 1).map((one) => one.textContent.slice(0, 60))",
        inside,
    )
    assert wide == []
    assert len(page.pdf(format=paper)) > 10_000
    context.close()

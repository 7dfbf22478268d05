"""Debian's Chromium before the desk."""

import contextlib

import pytest

LAPTOP = {"width": 1280, "height": 800}


@pytest.fixture
def enter(chromium):
    """``enter(served, "AB")`` gives the page of somebody at the desk; at the end no script may have failed."""
    with contextlib.ExitStack() as stack:
        faults, foreign = [], []

        def entered(served, initials="AB", *, viewport=LAPTOP, **options):
            context = chromium.new_context(viewport=viewport, **options)
            context.set_default_timeout(90_000)  # only ends a test that would hang
            stack.callback(context.close)
            page = context.new_page()
            page.on("pageerror", lambda error: faults.append(str(error)))
            page.on(
                "request",
                lambda asked: (
                    foreign.append(asked.url) if not asked.url.startswith((served.base, "blob:", "data:")) else None
                ),
            )
            page.goto(f"{served.base}/start?token={served.door.token}")
            page.wait_for_url(f"{served.base}/desk**")
            if initials:
                page.fill("#initials", initials)
                page.keyboard.press("Enter")
                page.wait_for_selector(".drop")
            return page

        yield entered
        assert not faults, faults
        assert not foreign, foreign


WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
"""axe-core's rules for WCAG 2.0 to 2.2, levels A and AA, and what it advises besides."""


@pytest.fixture(scope="session")
def violations():
    """``violations(page)``: broken rules with the elements that break them, by axe-core."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="NO AXE: accessibility was not tested")

    def found(page):
        options = {"runOnly": {"type": "tag", "values": WCAG}}
        rules = axe.Axe().run(page, options=options).response["violations"]
        return [(rule["id"], [node["html"][:160] for node in rule["nodes"]]) for rule in rules]

    return found

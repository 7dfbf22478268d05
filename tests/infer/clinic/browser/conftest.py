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

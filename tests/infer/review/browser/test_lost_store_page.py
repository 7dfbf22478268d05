"""The store's file moved away under the page: the reader is told what to do; the work stays (the project's rule)."""

import pytest


def test_a_read_that_cannot_be_kept_stays_on_the_page(harbour_page, tmp_path):
    reader = harbour_page.reader.open("spring/cook.dcm")
    reader.stay()
    before = reader.settled_number()
    reader.drag("M1d_med", 30, 0)
    reader.wait_until_not("hva", before)
    moved = reader.settled_number()
    (tmp_path / "reads.sqlite").rename(tmp_path / "aside")
    reader.page.keyboard.press("Enter")
    dialog = reader.page.locator("dialog[open]")
    dialog.wait_for()
    text = dialog.inner_text()
    assert "Not saved" in text
    assert "reads.sqlite, is gone from its folder" in text
    assert "keep this page open" in text
    reader.page.screenshot(path=tmp_path / "gone.png")
    dialog.get_by_role("button", name="Back").click()
    assert reader.state() == "open"
    assert reader.settled_number() == pytest.approx(moved)
    (tmp_path / "aside").rename(tmp_path / "reads.sqlite")
    reader.page.keyboard.press("Enter")
    reader.wait_for_state("corrected")
    assert reader.settled_number() == pytest.approx(moved)

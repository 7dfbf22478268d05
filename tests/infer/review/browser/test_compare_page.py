"""Another film of the same foot beside this one: only of one person, with what reading error makes of a difference."""

import re

import numpy as np
import pytest

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect


@pytest.fixture
def reader(serve, visits, enter):
    return enter(serve(visits), "AB").open("spring/cook.dcm")


def test_the_other_film_lies_with_its_second_metatarsal_over_this_one(reader):
    page = reader.page
    # On this film the second metatarsal is placed anew: another place, direction and length.
    for code, dx, dy in (("M2p_med", 30, 12), ("M2p_lat", 30, 12), ("M2d_med", 60, -10), ("M2d_lat", 60, -10)):
        reader.drag(code, dx, dy)
    page.keyboard.press("o")
    page.wait_for_selector(".compare .axis.m2")
    expect(page.locator(".compare .hint")).to_contain_text("laid over")
    expect(page.locator(".compare .hint")).to_contain_text("one person (code 111111)")
    page.keyboard.press("+")
    page.wait_for_timeout(200)
    ends = []
    for place in (".stages > .stage", ".compare .stage"):
        stage = page.locator(place)
        box = stage.bounding_box()
        line = stage.locator(".axis.m2 .line").get_attribute("d")
        numbers = np.array([float(v) for v in re.findall(r"-?[\d.]+", line)]).reshape(2, 2)
        ends.append(numbers - [box["width"] / 2, box["height"] / 2])
    assert ends[1] == pytest.approx(ends[0], abs=0.7)


def test_a_change_stands_with_its_interval_and_the_readers_error(reader):
    """Of the points on the page: it follows them. 4.9 degrees is 1.96 x sqrt(2) x 1.77 (reader_error.yaml)."""
    page = reader.page
    page.keyboard.press("o")
    told = page.locator("[data-measure=hva] .other")
    expect(told).to_contain_text("change 0.0°")
    expect(told).to_contain_text("within error; readers alone: up to 4.9°")
    expect(page.locator(".compare select")).to_contain_text("2026-07-01, summer/cook.dcm")
    expect(page.locator(".numbers")).to_contain_text("the other film, the later one, less this film")
    before = reader.number()
    reader.drag("PPd_med", -30, 0)
    reader.wait_until_not("hva", before)
    here, there = reader.settled_number(), before
    expect(told).to_contain_text(f"change {there - here:+.1f}°".replace("-", "−"))
    page.select_option("#construction", "head_base")
    expect(told).to_contain_text("different constructions")
    expect(told).not_to_contain_text("change +")
    page.keyboard.press("Escape")
    page.keyboard.press("o")
    expect(told).to_have_text("")


def test_where_nothing_can_be_compared_it_is_said(harbour_page):
    page = harbour_page.reader.open("spring/cook.dcm").page
    page.keyboard.press("o")
    expect(page.locator(".compare .hint")).to_contain_text("does not say whose film it is")
    expect(page.locator(".compare select")).to_be_disabled()
    expect(page.locator("[data-measure=hva] .other")).to_have_text("")


def test_a_foot_settled_without_numbers_gives_none(serve, visits, enter):
    served = serve(visits)
    other = enter(served, "CD").open("summer/cook.dcm").stay()
    other.page.keyboard.press("u")
    other.page.get_by_label("not weight-bearing").check()
    other.page.keyboard.press("Enter")
    other.wait_for_state("not_measurable")
    page = enter(served, "AB").open("spring/cook.dcm").page
    page.keyboard.press("o")
    expect(page.locator(".numbers")).to_contain_text("The other foot is not compared: settled: cannot be measured")
    expect(page.locator("[data-measure=hva] .other")).to_have_text("")

"""One colour a bone and a kind of point, on the page, on paper and in the overlay pictures, and it is seen on any film.

Contrast by WCAG 2.2 (relative luminance; 1.4.11: 3 to 1 for graphical objects), worked out here from what the browser
draws with."""

import re

import pytest

from raysplay.infer.outputs.axis_lines import bone_of
from raysplay.infer.outputs.overlay_style import ARC, AXIS, DOUBT

expect = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT: the review page was not tested").expect

STROKES = """
(selector) => [...document.querySelectorAll(selector)].map((group) => ({
  name: group.dataset.code ?? group.getAttribute('class').split(' ')[1],
  kind: group.getAttribute('class'),
  line: getComputedStyle(group.querySelector('.line, .shape')).stroke,
  halo: getComputedStyle(group.querySelector('.halo')).stroke,
}))
"""


def rgba(text):
    """Red, green, blue 0 to 255 and opacity 0 to 1 of a colour as the browser states it."""
    numbers = [float(one) for one in re.findall(r"[\d.]+", text)]
    return tuple(round(one) for one in numbers[:3]), (numbers[3:] or [1.0])[0]


def luminance(colour):
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (part / 255 for part in colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.fixture
def weak(serve, doubts, enter):
    """A foot with two doubtful points."""
    return enter(serve(doubts), "AB").open("tide/weak.dcm", "Left").page


@pytest.mark.parametrize("where", ["screen", "print"])
def test_axes_points_and_arcs_have_the_colours_of_the_overlays(weak, where):
    weak.emulate_media(media=where)
    stage = ".print-film" if where == "print" else ".middle .stage"
    weak.wait_for_selector(f"{stage} .axis")
    axes = weak.evaluate(STROKES, f"{stage} .axis")
    assert {one["name"]: rgba(one["line"])[0] for one in axes} == {
        bone.lower(): AXIS[bone] for bone in ("M1", "M2", "M4", "M5", "PP")
    }
    points = weak.evaluate(STROKES, f"{stage} .marks .point")
    kinds = {"point model": lambda code: AXIS[bone_of(code)], "point doubtful": lambda code: DOUBT}
    assert {one["kind"] for one in points} == set(kinds)
    for one in points:
        assert rgba(one["line"])[0] == kinds[one["kind"]](one["name"]), one
    arcs = weak.locator(f"{stage} .arcs .arc").evaluate_all("all => all.map((one) => getComputedStyle(one).stroke)")
    assert {rgba(one)[0] for one in arcs} == {ARC}


@pytest.mark.parametrize("ground", [(0, 0, 0), (255, 255, 255)], ids=["black film", "white film"])
def test_lines_are_seen_on_any_film(weak, ground):
    """A line stands out from its dark edge, or that from the film."""
    drawn = [*weak.evaluate(STROKES, ".middle .stage .axis"), *weak.evaluate(STROKES, ".middle .stage .marks .point")]
    assert len(drawn) > 20
    for one in drawn:
        line, (edge, opacity) = rgba(one["line"])[0], rgba(one["halo"])
        beside = tuple(opacity * e + (1 - opacity) * g for e, g in zip(edge, ground, strict=True))
        assert contrast(line, beside) >= 3.0, one


def test_the_legend_of_the_print_has_the_same_colours(weak):
    weak.emulate_media(media="print")
    lines = weak.locator(".print-sheet .lines li path")
    expect(lines).not_to_have_count(0)
    axes = weak.evaluate(STROKES, ".print-film .axis")
    expect(lines).to_have_count(len(axes))
    strokes = lines.evaluate_all("all => all.map((one) => getComputedStyle(one).stroke)")
    assert strokes == [one["line"] for one in axes]

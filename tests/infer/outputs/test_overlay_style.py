"""Colours of the overlays: contrast by WCAG 2.2, colour-blind readers, lines on black and on bright film."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from skimage.color import rgb2lab

from raysplay.infer.outputs.overlay import draw_overlay
from raysplay.infer.outputs.overlay_style import ARC, AXIS, CASING, DOUBT, GROUND, QUIET, TEXT

SIDE_BY_SIDE = (("M1", "PP"), ("M1", "M2"), ("PP", "DP"), ("M2", "M4"), ("M4", "M5"))
"""Axes between which an angle lies, or that are neighbours in the picture."""

COLOUR_BLIND = {
    # Severity 1.0 of Machado, Oliveira, Fernandes, IEEE Trans Vis Comput Graph 2009;15:1291 (matrices from memory).
    "protanopia": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranopia": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanopia": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def linear(colour):
    """Linear light of sRGB (IEC 61966-2-1), 0 to 1."""
    share = np.asarray(colour, dtype=float) / 255.0
    return np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    """Contrast ratio of WCAG 2.2."""
    brighter, darker = sorted((float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (one, other)), reverse=True)
    return (brighter + 0.05) / (darker + 0.05)


def lab(colour, matrix=None):
    light = linear(colour) if matrix is None else np.clip(np.asarray(matrix) @ linear(colour), 0.0, 1.0)
    shown = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return rgb2lab(shown[None, None])[0, 0]


def test_contrast_of_black_and_white():
    """WCAG 2.2: 21 to 1."""
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)


@pytest.mark.parametrize("colour", [*AXIS.values(), ARC, DOUBT, TEXT], ids=str)
def test_lines_and_their_casing_are_seen_on_any_ground(colour):
    """Of two colours with 9:1 between them one has 3:1 to any third (W3C technique C40; WCAG 2.2, 1.4.11)."""
    assert contrast(colour, CASING) >= 9.0


@pytest.mark.parametrize("colour", [TEXT, QUIET, *AXIS.values()], ids=str)
def test_words_are_legible_on_the_panel(colour):
    """4.5:1 for text: WCAG 2.2, 1.4.3."""
    assert contrast(colour, GROUND) >= 4.5


@pytest.mark.parametrize("pair", SIDE_BY_SIDE, ids="-".join)
def test_axes_side_by_side_differ_in_lightness(pair):
    """So that they differ in grey, too: 10 of CIE L* (common practice, no source). M4 and M5 once differed by 11 of 100
    and in hue hardly at all."""
    first, second = (lab(AXIS[bone]) for bone in pair)
    assert abs(first[0] - second[0]) > 12.0
    assert np.linalg.norm(first - second) > 25.0


@pytest.mark.parametrize("kind", COLOUR_BLIND)
@pytest.mark.parametrize("pair", SIDE_BY_SIDE, ids="-".join)
def test_axes_side_by_side_are_told_apart_by_colour_blind_readers(pair, kind):
    """Distance in CIELAB well above what is just noticed, about 2.3 (from memory)."""
    first, second = (lab(AXIS[bone], COLOUR_BLIND[kind]) for bone in pair)
    assert np.linalg.norm(first - second) > 18.0


def test_every_colour_is_its_own():
    for one, other in itertools.combinations([*AXIS.values(), ARC], 2):
        assert np.linalg.norm(lab(one) - lab(other)) > 10.0


@pytest.mark.parametrize("ground", [0.0, 1.0], ids=["black film", "white film"])
def test_an_axis_stands_out_in_the_picture(film, foot_record, schema, ground):
    """Across the second metatarsal's axis, between line and casing or ground, a step of 3:1 (WCAG 2.2, 1.4.11)."""
    pixels = np.full_like(film.pixels, ground)
    record = foot_record()
    # The picture is stretched between darkest and brightest of the foot: a corner of it is the other.
    left, top = record.landmarks.points.min(axis=0).astype(int)
    pixels[top : top + 80, left : left + 60] = 1.0 - ground
    picture = np.asarray(draw_overlay(replace(film, pixels=pixels), "a", record, schema, level=0.9))
    colour = np.abs(picture[:, :-400].astype(int) - AXIS["M2"]).max(axis=2) < 20
    seen = 0
    for row in np.flatnonzero(colour.any(axis=1)):
        (columns,) = np.nonzero(colour[row])
        middle = columns[0]
        across = picture[row, max(0, middle - 6) : middle + 7]
        seen += contrast(across[np.argmin(across.sum(axis=1))], picture[row, middle]) >= 3.0
    assert seen > 200

"""Edges of the field, two exposures of one plate, and marks. Looks: common practice, no source."""

import numpy as np
import pytest

from raysplay.synthetic_data.film import marks
from raysplay.synthetic_data.film.collimation import Field, Surround, join_exposures, openness
from raysplay.synthetic_data.film.settings import archive_settings

PIXEL = 0.5
PLATE = (200, 240)
BRIGHT = Surround(grey=0.9, scatter=0.0, scatter_reach=10.0, black=False)


@pytest.mark.parametrize("angle", [0.0, 7.0, -30.0])
def test_a_field_has_the_area_and_place_of_its_rectangle(angle):
    field = Field(x=62.0, y=48.0, width=50.0, height=30.0, angle=angle, softness=1.0)
    share = openness(field, PLATE, (0, 0), PIXEL)
    assert share.sum() * PIXEL**2 == pytest.approx(50.0 * 30.0, rel=0.005)
    rows, columns = np.indices(PLATE)
    centre = (share * columns).sum() / share.sum(), (share * rows).sum() / share.sum()
    assert centre == pytest.approx((62.0 / PIXEL, 48.0 / PIXEL), abs=0.05)
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    corner = np.array([[c, -s], [s, c]]) @ [25.0, 15.0]
    for scale, inside in ((0.94, True), (1.06, False)):
        x, y = np.rint((np.array([62.0, 48.0]) + scale * corner) / PIXEL).astype(int)
        assert (share[y, x] > 0.5) == inside


def test_softness_is_the_width_of_the_half_shadow():
    field = Field(x=60.0, y=50.0, width=60.0, height=60.0, angle=0.0, softness=6.0)
    line = openness(field, PLATE, (0, 0), PIXEL)[100]
    partly = ((line > 0) & (line < 1)).sum() / 2
    assert partly * PIXEL == pytest.approx(6.0, abs=PIXEL)


def test_what_two_exposures_share_is_darker_and_the_rest_unexposed():
    picture = np.full(PLATE, 0.4, np.float32)
    first = Field(40.0, 50.0, 50.0, 80.0, 0.0, 0.5)
    second = Field(80.0, 50.0, 50.0, 80.0, 0.0, 0.5)
    film = join_exposures([(picture, first, (0, 0)), (picture, second, (0, 0))], PLATE, PIXEL, BRIGHT)
    alone, twice, unexposed = film[100, 60], film[100, 120], film[100, 4]
    assert alone == pytest.approx(0.4, abs=1e-3)
    assert unexposed == pytest.approx(0.9, abs=1e-3)
    assert twice < alone - 0.15
    black = join_exposures([(picture, first, (0, 0))], PLATE, PIXEL, Surround(0.9, 0.0, 10.0, True))
    assert black[100, 4] == 0.0
    assert black[100, 60] == pytest.approx(0.4, abs=1e-3)


def test_a_mark_is_placed_where_nothing_lies():
    rng = np.random.default_rng(1)
    taken = np.ones((60, 60), bool)
    taken[10:50, 30:58] = False
    for _ in range(20):
        stamp = marks.side_letter(rng, archive_settings().marks, "R", 0.5)
        if max(stamp.ink.shape) > 60:
            continue
        x, y = marks.place(rng, stamp, taken, 4, tries=300)
        rows, columns = stamp.ink.shape
        covered = taken[y // 4 : -(-(y + rows) // 4), x // 4 : -(-(x + columns) // 4)]
        assert covered.mean() < 0.15


@pytest.mark.parametrize("draw", [marks.text_lines, marks.sign, marks.ruler, marks.wedge, marks.ball, marks.corner])
def test_every_mark_has_ink_of_its_size(draw):
    rng = np.random.default_rng(2)
    for pixel_mm in (0.15, 0.3):
        stamp = draw(rng, archive_settings().marks, pixel_mm)
        assert 0.0 <= stamp.ink.min() < 0.2
        assert stamp.ink.max() == pytest.approx(1.0, abs=0.35)
        assert max(stamp.ink.shape) * pixel_mm >= 0.8 * stamp.mark.height


def test_lead_lengthens_the_path_and_print_replaces_the_grey():
    rng = np.random.default_rng(3)
    stamp = marks.ball(rng, archive_settings().marks, 0.5)
    bone, soft = np.zeros((80, 80), np.float32), np.zeros((80, 80), np.float32)
    marks.add_lead(bone, soft, stamp, (-10, 20))
    assert bone.max() == pytest.approx(stamp.depth, rel=0.02)
    assert bone[:, 60:].max() == 0.0
    film = np.full((80, 80), 0.2, np.float32)
    marks.print_on(film, stamp, (40, 50))
    assert film.max() == pytest.approx(stamp.grey, abs=0.03)
    assert film[:49].max() == pytest.approx(0.2)

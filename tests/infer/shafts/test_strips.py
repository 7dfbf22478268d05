"""Strips show what lies at their place on the film. Truth: a grey ramp, which bilinear sampling repeats exactly."""

import numpy as np
import pytest

from raysplay.infer.shafts.strips import BEYOND, COLUMN, COLUMNS, LEVELS, POOL, ROWS, Shafts, cut_strips
from raysplay.infer.warp import transform_points

CORNERS = np.array([[[60.0, 150.0], [90.0, 140.0], [50.0, 60.0], [95.0, 55.0]]])
"""A shaft that points up, its medial side on the left; levels of its two sides not alike."""


def test_a_shaft_is_described_by_its_corners():
    shafts = Shafts.of(CORNERS)
    p, d = CORNERS[0, :2].mean(0), CORNERS[0, 2:].mean(0)
    assert shafts.length[0] == pytest.approx(np.hypot(*(d - p)))
    assert shafts.axis[0] @ shafts.across[0] == pytest.approx(0, abs=1e-12)
    assert shafts.across[0] @ [1, 0] > 0
    back = (
        shafts.middle[:, None]
        + shafts.level[..., None] * shafts.length[:, None, None] * shafts.axis[:, None]
        + shafts.aside[..., None] * shafts.across[:, None]
    )
    assert back == pytest.approx(CORNERS)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("aspect", [1.0, 1.7])
def test_every_sample_comes_from_its_place(mirrored, aspect):
    corners = CORNERS * [-1, 1] + [150, 0] if mirrored else CORNERS
    shafts = Shafts.of(corners)
    film_from_even = np.diag([1.0, 1 / aspect, 1.0])
    y, x = np.mgrid[0:220, 0:220].astype(np.float32)
    by_x, by_y = (cut_strips(ramp, film_from_even, shafts) for ramp in (x, y))
    assert by_x.shape == (1, 2, ROWS // POOL, COLUMNS)
    for side in (0, 1):
        medial, lateral = corners[0, side], corners[0, side + 2]
        # The line through both corners, by their own levels; columns run inward at right angles to the axis.
        share = (LEVELS - shafts.level[0, side]) / (shafts.level[0, side + 2] - shafts.level[0, side])
        line = medial + share[:, None] * (lateral - medial)
        inward = (shafts.across[0] if side == 0 else -shafts.across[0]) * shafts.width[0] * COLUMN
        want = line[:, None] + (np.arange(COLUMNS) - (COLUMNS - 1) / 2)[:, None] * inward
        want = transform_points(film_from_even, want)
        inside = ((want > 2) & (want < 217)).all(-1)
        assert inside.mean() > 0.9
        assert by_x[0, side][inside] == pytest.approx(want[..., 0][inside], abs=2e-3)
        assert by_y[0, side][inside] == pytest.approx(want[..., 1][inside], abs=2e-3)


def test_levels_are_spread_evenly_about_both_ends():
    assert LEVELS[0] + LEVELS[-1] == pytest.approx(1.0)
    assert np.diff(LEVELS) == pytest.approx((1 + 2 * BEYOND) * POOL / ROWS)


def test_a_film_finer_than_the_strips_is_averaged():
    """Common practice, no source: what is thrown away must not come back as a pattern."""
    fine = Shafts.of(CORNERS * 20)
    rows, columns = 4000, 2400
    stripes = np.broadcast_to((np.arange(columns) % 2).astype(np.float32), (rows, columns))
    strips = cut_strips(stripes, np.eye(3), fine)
    assert strips.std() < 0.1  # 0.5 unaveraged

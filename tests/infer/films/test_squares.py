"""Extremes over squares against ``scipy.ndimage``, whose squares go on in the mirror at the edge: the same values."""

import numpy as np
import pytest
from scipy import ndimage

from raysplay.infer.films.squares import extreme, opened

GREY = np.random.default_rng(4).integers(0, 256, (37, 52), dtype=np.uint8)


@pytest.mark.parametrize("size", [3, 9, 15])
def test_extremes_and_openings_are_those_of_scipy(size):
    assert np.array_equal(extreme(GREY, size, np.maximum), ndimage.grey_dilation(GREY, (size, size)))
    assert np.array_equal(extreme(GREY, size, np.minimum), ndimage.grey_erosion(GREY, (size, size)))
    assert np.array_equal(opened(GREY, size), ndimage.grey_opening(GREY, (size, size)))


def test_a_picture_smaller_than_the_square_has_one_extreme():
    assert (extreme(GREY[:4, :5], 9, np.maximum) == GREY[:4, :5].max()).all()

"""Squares and crops that the device cuts are those of the processor, which is tried against scipy elsewhere."""

from pathlib import Path

import numpy as np
import pytest
import torch

from raysplay.infer.accelerator.resampling import Resampler, shrunk
from raysplay.infer.films.film import Film, Spacing
from raysplay.infer.foot_reader import _film_square
from raysplay.infer.warp import crop, shrink

CPU = torch.device("cpu")
SIZE = (96, 64)
GREY = 1e-4
"""Places are told to the device in single precision: about this share of a pixel off."""


def picture(rows, columns, seed=0):
    """Grey values that change over a few pixels, as those of a film do, so that any shift shows."""
    y, x = np.mgrid[:rows, :columns]
    rng = np.random.default_rng(seed)
    waves = rng.uniform(0.02, 0.6, (6, 2))
    shown = sum(np.sin(x * a + y * b + k) for k, (a, b) in enumerate(waves)) / 12 + 0.5
    return shown.astype(np.float32)


def laid(degrees, scale, x, y, mirrored=False):
    a = np.radians(degrees)
    turn = scale * np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    if mirrored:
        turn = turn @ np.diag([-1.0, 1.0])
    matrix = np.eye(3)
    matrix[:2, :2] = turn
    matrix[:2, 2] = np.array([x, y]) - turn @ np.array([SIZE[1] / 2, SIZE[0] / 2])
    return matrix


@pytest.mark.parametrize("scale", [0.4, 0.74, 1.0, 1.76, 3.3, 5.1])
@pytest.mark.parametrize("degrees", [0, 33, 90, 180, -127])
@pytest.mark.parametrize("shape", [(300, 241), (127, 401)])
def test_crops_are_those_of_the_processor(shape, degrees, scale):
    film = picture(*shape)
    matrices = [
        laid(degrees, scale, shape[1] / 2, shape[0] / 2),
        laid(degrees, scale, 3.0, shape[0] - 5.0, mirrored=True),  # half of it beyond the film
        laid(degrees, scale, -900.0, 40.0),  # all of it
    ]
    resampler = Resampler(SIZE, 4, CPU, outside_dark=False)
    seen = resampler.cut([torch.from_numpy(film)] * 3, matrices).numpy()
    for ours, matrix in zip(seen, matrices, strict=False):
        np.testing.assert_allclose(ours, crop(film, matrix, SIZE), atol=GREY)


@pytest.mark.parametrize("margin", [0.0, 0.5])
@pytest.mark.parametrize(("shape", "aspect"), [((640, 480), 1.0), ((300, 700), 1.7), ((90, 61), 0.8)])
def test_squares_are_those_of_the_processor_and_dark_beyond_the_film(shape, aspect, margin):
    film = Film(Path("film.dcm"), 0.2 + 0.8 * picture(*shape), Spacing(aspect=aspect))
    expected, matrix = _film_square(film, 96, margin)
    (seen,) = Resampler((96, 96), 1, CPU, outside_dark=True).cut([torch.from_numpy(film.pixels)], [matrix]).numpy()
    np.testing.assert_allclose(seen, expected, atol=GREY)
    assert np.array_equal(seen == 0, expected == 0)
    assert (seen == 0).any()


@pytest.mark.parametrize("factor", [1, 2, 3, 7])
@pytest.mark.parametrize("shape", [(28, 21), (29, 23), (5, 40)])
def test_blocks_are_averaged_as_on_the_processor(shape, factor):
    film = picture(*shape)
    np.testing.assert_allclose(shrunk(torch.from_numpy(film), factor).numpy(), shrink(film, factor)[0], atol=1e-6)


def test_company_and_place_in_a_batch_change_no_bit():
    films = [torch.from_numpy(picture(200 + 31 * k, 170 + 13 * k, k)) for k in range(4)]
    matrices = [laid(20 * k, 0.8 + 0.5 * k, 60.0 + 9 * k, 80.0) for k in range(4)]
    resampler = Resampler(SIZE, 4, CPU, outside_dark=True)
    alone = resampler.cut(films[:1], matrices[:1])[0].clone()
    for turn in range(4):
        order = np.roll(np.arange(4), turn)
        seen = resampler.cut([films[k] for k in order], [matrices[k] for k in order])
        assert torch.equal(seen[list(order).index(0)], alone)

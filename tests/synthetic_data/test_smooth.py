"""Smoothing against scipy's Gaussian filter; random fields."""

import numpy as np
import pytest
import torch
from scipy.ndimage import gaussian_filter

from raysplay.synthetic_data.film.smooth import gaussian, noise_field


def picture(size, grain, seed=1):
    return gaussian_filter(np.random.default_rng(seed).normal(0, 1, size), grain, mode="nearest") * grain * 3


@pytest.mark.parametrize("sigma", [0.3, 0.8, 1.5, 3.0, 4.0])
@pytest.mark.parametrize("size", [(70, 90), (33, 128)])
def test_narrow_blurs_are_scipys(sigma, size):
    image = np.random.default_rng(2).random(size)
    got = gaussian(torch.as_tensor(image, dtype=torch.float32)[None], torch.tensor([sigma]))[0].numpy()
    expected = gaussian_filter(image, sigma, mode="nearest", truncate=6)
    # Kernels end at three spreads, where 0.3 percent of the weight lies beyond.
    assert got == pytest.approx(expected, abs=0.004)


@pytest.mark.parametrize("sigma", [5.0, 9.0, 17.0, 40.0])
def test_wide_blurs_are_scipys_to_a_percent_or_two(sigma):
    image = np.zeros((401, 301))
    image[200:, :150] = 1.0
    image[100:140, 220:260] = 0.7
    got = gaussian(torch.as_tensor(image, dtype=torch.float32)[None], torch.tensor([sigma]))[0].numpy()
    expected = gaussian_filter(image, sigma, mode="nearest", truncate=6)
    assert got.shape == image.shape
    assert np.abs(got - expected).max() < 0.02


def test_a_blur_moves_nothing(draw_blob, centre_of_mass):
    blob = torch.as_tensor(draw_blob((257, 203), (101.3, 130.6), 6.0), dtype=torch.float32)
    for sigma in (0.5, 3.0, 7.0, 15.0):
        assert centre_of_mass(gaussian(blob[None], torch.tensor([sigma]))[0]) == pytest.approx([101.3, 130.6], abs=0.02)


def test_every_film_has_its_own_width():
    images = torch.as_tensor(np.stack([picture((64, 64), 2, k) for k in range(3)]), dtype=torch.float32)
    sigma = torch.tensor([0.6, 1.7, 3.5])
    together = gaussian(images, sigma)
    for k in range(3):
        expected = gaussian_filter(images[k].numpy(), float(sigma[k]), mode="nearest", truncate=6)
        assert together[k].numpy() == pytest.approx(expected, abs=0.01)


def test_a_blur_keeps_an_even_field_and_takes_tiny_films():
    for size in ((64, 64), (5, 3), (1, 40)):
        even = torch.full((2, *size), 0.37)
        torch.testing.assert_close(gaussian(even, torch.tensor([0.1, 30.0])), even)


@pytest.mark.parametrize("grain", [0.5, 2.0, 6.0])
def test_noise_fields_have_unit_spread_and_the_asked_grain(grain):
    field = noise_field((2, 240, 240), torch.tensor([grain] * 2), torch.Generator().manual_seed(3))
    assert field.std(dim=(1, 2)).numpy() == pytest.approx(1.0, abs=1e-3)
    # White noise smoothed by sigma correlates as exp(-d^2 / 4 sigma^2).
    for distance in (1, max(1, round(2 * grain))):
        got = float((field[:, :, distance:] * field[:, :, :-distance]).mean())
        if grain >= 2:
            assert got == pytest.approx(np.exp(-(distance**2) / (4 * grain**2)), abs=0.06)
        else:
            assert got < 0.4


def test_stretched_grain_runs_along_the_rows_direction_of_a_bone_that_stands_upright():
    def correlation(stretch):
        field = noise_field(
            (2, 240, 240), torch.tensor([1.5] * 2), torch.Generator().manual_seed(4), torch.tensor([stretch] * 2)
        )
        return [float((a * b).mean()) for a, b in ((field[:, 4:], field[:, :-4]), (field[..., 4:], field[..., :-4]))]

    along, across = correlation(4.0)
    assert along > across + 0.4
    along, across = correlation(1.0)
    assert along == pytest.approx(across, abs=0.1)

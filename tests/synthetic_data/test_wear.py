"""Wear of films: each kind does what it is named for, and nothing at share 0."""

import numpy as np
import pytest
import torch

from raysplay.synthetic_data.film import wear
from raysplay.synthetic_data.film.settings import WearSettings
from raysplay.synthetic_data.film.wear import draw_quality, spoil_display, spoil_plate

SIZE = (120, 90)
PIXEL = torch.full((8,), 0.4)


@pytest.fixture
def films():
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    waves = 0.4 + 0.2 * np.sin(x / 9) * np.cos(y / 11)
    return torch.from_numpy(np.tile(waves.astype(np.float32), (8, 1, 1)))


def sources(seed=1):
    return np.random.default_rng(seed), torch.Generator().manual_seed(seed)


def spoil(films, **shares):
    settings = WearSettings.model_validate(shares)
    rng, generator = sources()
    photographed = np.arange(8) if shares.get("photographed") else np.array([], np.int64)
    return spoil_display(spoil_plate(films, rng, generator, settings), PIXEL, rng, settings, photographed)


PICTURES = ("low_dose", "saturated", "grid", "scratches", "unsharp", "curve", "photographed", "inverted")


def test_films_without_wear_are_left_as_they_are(films):
    assert torch.equal(spoil(films), films)


@pytest.mark.parametrize("name", PICTURES)
def test_each_kind_changes_every_film_it_is_asked_for(films, name):
    out = spoil(films, **{name: 1.0})
    assert out.shape == films.shape
    assert 0 <= float(out.min()) <= float(out.max()) <= 1
    assert ((out - films).abs().amax((1, 2)) > 0.004).all()
    assert torch.equal(out, spoil(films, **{name: 1.0}))


def test_a_share_is_a_share(films):
    many = films[:1].expand(400, -1, -1)[:, :40, :40]
    out = spoil_display(
        many, torch.full((400,), 0.4), np.random.default_rng(1), WearSettings(inverted=0.3), np.array([], np.int64)
    )
    share = (out != many).any(2).any(1).float().mean()
    assert float(share) == pytest.approx(0.3, abs=4 * np.sqrt(0.3 * 0.7 / 400))
    assert torch.allclose(out[0] + many[0], torch.ones(40, 40)) or torch.equal(out[0], many[0])


def test_grid_lines_have_one_direction_and_one_pitch():
    even = torch.full((8, *SIZE), 0.5)
    for film in wear.grid_lines(even, np.random.default_rng(1)).numpy():
        power = np.abs(np.fft.fft2(film - film.mean(0, keepdims=True) * 0 - film.mean()))
        power[0, :3] = power[0, -2:] = 0
        top = np.sort(power.ravel())[::-1]
        # A line of one frequency and its mirror image, with its leakage, outweigh the rest.
        assert top[:12].sum() > 0.3 * power.sum() or top[0] > 20 * np.median(power)


def test_dust_is_a_few_bright_points(films):
    changed = (wear.dust(films, *sources()) - films).abs() > 0.05
    share = changed.float().mean((1, 2))
    assert (share < 0.05).all()
    assert share.max() > 0


def test_low_dose_grain_grows_with_strength(films):
    spread = [float((wear.low_dose(films, *sources(), strength) - films).std()) for strength in (0.5, 1.0, 2.0)]
    assert spread[0] < spread[1] < spread[2]


def test_curves_rise(films):
    ramp = torch.linspace(0, 1, 90).expand(8, 120, 90)
    out = wear.curve(ramp, np.random.default_rng(1))
    assert (out.diff(dim=2) >= -1e-6).all()


def test_sharpening_leaves_even_parts_and_overshoots_at_edges():
    step = torch.full((8, *SIZE), 0.3)
    step[..., 45:] = 0.6
    out = wear.sharpen(step, PIXEL, np.random.default_rng(1))
    assert torch.allclose(out[..., 2:5], step[..., 2:5], atol=1e-3)
    assert (out[..., 45:50].amax(2) > 0.63).all()
    assert (out[..., 40:45].amin(2) < 0.27).all()


def test_saturation_blinds_a_part_of_the_film(films):
    bright = (films + 0.35).clamp(0, 1)
    out = wear.saturate(bright, np.random.default_rng(1), 1.5)
    lost = ((out >= 1) | (out <= 0)).float().mean((1, 2)) - ((bright >= 1) | (bright <= 0)).float().mean((1, 2))
    assert float(lost.max()) > 0.1


def test_qualities_are_those_of_the_share():
    quality = draw_quality(np.random.default_rng(1), 1000, 0.4).numpy()
    low = quality[quality <= 100]
    assert len(low) / 1000 == pytest.approx(0.4, abs=0.07)
    assert (low >= 10).all()
    assert (low <= 60).all()


def test_small_storage_is_compressed_at_its_size(films):
    rng = np.random.default_rng(1)
    noisy = (films + torch.from_numpy(rng.normal(0, 0.1, films.shape).astype("f4"))).clamp(0, 1)
    out = wear.lose_resolution(noisy, 2.0, torch.full((8,), 5.0))
    assert out.shape == films.shape
    plain = wear.lose_resolution(noisy, 2.0, torch.full((8,), 101.0))
    assert torch.equal(plain, wear.lose_resolution(noisy, 2.0))
    # Blocks of eight small pixels are sixteen wide once enlarged: that far apart the picture jumps.
    jump = out.diff(dim=2).abs().mean((0, 1))[:80].reshape(5, 16).mean(0).roll(8)
    assert float(jump[6:9].mean()) > 1.3 * float(jump[:5].mean())

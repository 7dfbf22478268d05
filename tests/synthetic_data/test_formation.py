"""Films against the attenuation law of Beer and Lambert, Poisson's noise and the geometry of both grids."""

from dataclasses import fields, replace

import numpy as np
import pytest
import torch

from raysplay.synthetic_data.film.formation import form, join_soft
from raysplay.synthetic_data.film.look import Look, draw_looks

SIZE = (96, 96)


def plain(count=1, **changes):
    """Exposure and display that change nothing: the film shows attenuation / 4."""
    values = {f.name: torch.zeros(count) for f in fields(Look)}
    values |= {
        "cortical": torch.full((count,), 0.08),
        "spongy": torch.full((count,), 0.03),
        "soft": torch.full((count,), 0.02),
    }
    for name in ("gamma", "texture_scale", "texture_stretch", "scatter_width", "edge_width"):
        values[name] = torch.ones(count)
    values["high"] = torch.full((count,), 4.0)
    values |= {name: torch.as_tensor(value, dtype=torch.float32).expand(count) for name, value in changes.items()}
    return Look(**values)


def film(cortical, spongy, soft, look, pixel_mm=0.3, seed=1):
    def slab(value):
        value = torch.as_tensor(value, dtype=torch.float32)
        return (value if value.dim() > 1 else value.reshape(-1, 1, 1)).expand(len(look.soft), *SIZE)

    pixel = torch.full((len(look.soft),), pixel_mm)
    return form(slab(cortical), slab(spongy), slab(soft), look, pixel, torch.Generator().manual_seed(seed)).numpy()


@pytest.mark.parametrize("thickness", [(0, 0, 0), (2, 0, 20), (3, 12, 40), (6, 20, 60)])
def test_a_slab_attenuates_by_beer_and_lambert(thickness):
    grey = film(*thickness, plain())
    transmitted = np.exp(-(0.08 * thickness[0] + 0.03 * thickness[1] + 0.02 * thickness[2]))
    assert grey == pytest.approx(-np.log(transmitted) / 4, abs=1e-5)


def test_attenuations_of_layers_add_up():
    look = plain()
    parts = film(3, 0, 0, look) + film(0, 8, 0, look) + film(0, 0, 30, look)
    assert film(3, 8, 30, look) == pytest.approx(parts, abs=1e-5)


def test_the_window_and_the_curve_are_what_they_say():
    grey = film(0, 0, 50.0, plain(low=0.2, high=1.8))
    assert grey == pytest.approx((1.0 - 0.2) / 1.6, abs=1e-5)
    assert film(0, 0, 50.0, plain(gamma=2.0)) == pytest.approx(0.25**2, abs=1e-5)
    assert film(0, 0, 0.0, plain(floor=0.1)) == pytest.approx(0.1, abs=1e-5)
    assert film(0, 0, 200.0, plain(floor=0.1)) == pytest.approx(1.0, abs=1e-4)


def test_scatter_lowers_contrast_by_the_scatter_to_primary_ratio():
    # Common textbook law: with scatter s for each unit of primary radiation, a small shadow keeps 1 / (1 + s) of its
    # contrast; an even field is as bright as without.
    ratio = 0.3
    bone = torch.zeros(1, *SIZE)
    bone[:, 47:50, 47:50] = 10.0
    clear, fogged = (
        1 - np.exp(-4 * film(bone, 0, 0, plain(scatter=s, scatter_width=8.0))[0, 48, 48]) for s in (0.0, ratio)
    )
    assert fogged / clear == pytest.approx(1 / (1 + ratio), rel=0.02)
    assert film(2, 5, 30, plain(scatter=ratio, scatter_width=8.0)) == pytest.approx(film(2, 5, 30, plain()), abs=1e-5)


def test_noise_falls_with_the_root_of_the_dose():
    # Poisson: N quanta spread by the root of N; the spread of their logarithm is 1 over that root. A slab that lets a
    # quarter through is twice as noisy; a spread set to a half means four times the dose.
    thickness = np.log(4) / 0.02
    look = plain(noise=0.01)
    air, behind = film(0, 0, 50, look).std(), film(0, 0, 50 + thickness, look).std()
    assert behind / air == pytest.approx(2.0, rel=0.03)
    assert film(0, 0, 50, plain(noise=0.005)).std() == pytest.approx(air / 2, rel=0.03)
    # Pixels of half the side catch a quarter of the quanta. Both pitches smooth the noise by as many pixels.
    assert film(0, 0, 50, look, pixel_mm=0.11).std() / film(0, 0, 50, look, pixel_mm=0.12).std() == pytest.approx(
        0.12 / 0.11, rel=0.03
    )


def test_noise_and_texture_come_from_the_generator_alone():
    look = plain(noise=0.02, texture=0.2)
    assert (film(3, 10, 30, look) == film(3, 10, 30, look)).all()
    assert (film(3, 10, 30, look) != film(3, 10, 30, look, seed=2)).any()


def test_texture_lies_in_bone_and_not_in_soft_tissue():
    look = plain(texture=0.2)
    assert film(0, 0, 40, look).std() < 1e-6
    assert film(0, 20, 0, look).std() > 5 * film(0, 0, 40, look).std() + 0.005


def test_edges_are_enhanced_and_nothing_moves(draw_blob, centre_of_mass):
    at = (44.3, 51.7)
    bone = torch.as_tensor(10 * draw_blob(SIZE, at, 5.0), dtype=torch.float32)[None]
    for change in ({}, {"blur": 0.5}, {"scatter": 0.3, "scatter_width": 10.0}, {"toe": 0.8}):
        grey = film(bone, 0, 0, plain(**change))[0]
        assert centre_of_mass(np.clip(grey - grey.max() / 2, 0, None)) == pytest.approx(at, abs=0.05)
    step = torch.zeros(1, *SIZE)
    step[..., 48:] = 20.0
    flat, sharp = film(0, step, 20, plain())[0, 48], film(0, step, 20, plain(edge=1.0, edge_width=1.0))[0, 48]
    assert sharp[48:].max() > flat.max() + 0.02
    assert sharp[:48].min() < flat.min() - 0.02
    assert sharp[48:].argmax() < 3
    assert sharp[[2, -3]] == pytest.approx(flat[[2, -3]], abs=1e-3)


def test_films_of_a_batch_are_formed_each_by_its_own_look():
    looks = draw_looks(np.random.default_rng(7), 3)
    looks = replace(looks, noise=torch.zeros(3), texture=torch.zeros(3))
    bone = torch.zeros(3, *SIZE)
    bone[:, 30:60, 40:56] = 8.0
    together = film(bone, bone, 30, looks, pixel_mm=0.4)
    for k in range(3):
        own = Look(**{f.name: getattr(looks, f.name)[k : k + 1] for f in fields(Look)})
        # Widths of a batch are made on one grid, as coarse as the widest allows.
        assert film(bone[:1], bone[:1], 30, own, pixel_mm=0.4)[0] == pytest.approx(together[k], abs=0.05)


def test_drawn_looks_give_films_between_black_and_white():
    looks = draw_looks(np.random.default_rng(8), 40)
    bone = torch.zeros(40, *SIZE)
    bone[:, 20:70, 40:56] = 6.0
    grey = film(bone, 2 * bone, 40, looks, pixel_mm=0.4)
    assert np.isfinite(grey).all()
    assert grey.min() >= 0
    assert grey.max() <= 1
    inside, outside = grey[:, 30:60, 44:52].mean((1, 2)), grey[:, 30:60, 10:20].mean((1, 2))
    assert (inside > outside).mean() > 0.95


class TestLooks:
    def test_the_same_draw_gives_the_same_looks(self):
        first, again = (draw_looks(np.random.default_rng(1), 5) for _ in range(2))
        for f in fields(Look):
            assert getattr(first, f.name).shape == (5,)
            assert torch.equal(getattr(first, f.name), getattr(again, f.name))

    def test_bone_attenuates_as_bone_does(self):
        # From memory of the NIST tables of mass attenuation (ICRU-44 cortical bone, 1.92 g/cm3; soft tissue,
        # 1.06 g/cm3): 2.56 against 0.40 per cm at 30 keV, 0.60 against 0.22 at 60 keV, ratios 6.4 and 2.8.
        looks = draw_looks(np.random.default_rng(2), 500)
        ratio = looks.cortical / looks.soft
        assert float(ratio.min()) > 2.8
        assert float(ratio.max()) < 6.4
        assert (looks.spongy < looks.cortical).all()

    def test_the_window_is_open_and_looks_move_between_devices(self):
        looks = draw_looks(np.random.default_rng(3), 50).to("cpu")
        assert (looks.high > looks.low + 0.5).all()
        assert (looks.noise > 0).all()


class TestSoftTissue:
    def test_of_two_layers_the_longer_path_counts(self):
        layers = torch.zeros(1, 2, 12, 12)
        layers[:, 0], layers[:, 1] = 40.0, 10.0
        joined = join_soft(layers, (45, 45), 4)
        assert joined.numpy() == pytest.approx(40.0, rel=0.002)

    def test_equal_layers_do_not_add_up(self):
        joined = join_soft(torch.full((1, 2, 12, 12), 30.0), (45, 45), 4)
        # The fourth root of a sum of fourth powers exceeds the longest of two by 2 ** 0.25 at most.
        assert joined.numpy() == pytest.approx(30 * 2**0.25, rel=1e-4)

    def test_both_grids_share_the_centre_of_their_first_cell(self, draw_blob, centre_of_mass):
        step = 4
        layer = torch.as_tensor(20 * draw_blob((24, 30), (8.3, 16.2), 2.0), dtype=torch.float32)
        joined = join_soft(layer[None, None], (step * 23 + 1, step * 29 + 1), step)
        assert joined.shape == (1, 93, 117)
        assert centre_of_mass(joined[0].clamp_min(0.1) - 0.1) == pytest.approx([8.3 * step, 16.2 * step], abs=0.1)

    @pytest.mark.parametrize("size", [(96, 118), (93, 117), (90, 120), (40, 40)])
    def test_any_size_is_filled(self, size):
        joined = join_soft(torch.full((2, 3, -(-size[0] // 4), -(-size[1] // 4)), 5.0), size, 4)
        assert joined.shape == (2, *size)
        assert float(joined.std()) < 1e-4

    def test_no_tissue_is_nearly_nothing(self):
        assert float(join_soft(torch.zeros(1, 2, 8, 8), (29, 29), 4).max()) < 0.05

"""Bones bent by a smooth random field."""

from functools import partial

import numpy as np
import pytest

from raysplay.synthetic_data.anatomy.rest import bone_index
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.train.suite.strangers import draw_stranger, smooth_field

REQUEST = FilmRequest(layout="single", views=("dp",), toes="up", pixel_mm=0.6, whole=True)


def test_the_field_has_the_covariance_it_says():
    """Squared-exponential kernel sd^2 exp(-r^2 / 2 l^2) of a Gaussian process (Rasmussen and Williams 2006, chapter
    4); random Fourier features have it on average (Rahimi and Recht 2007)."""
    places = np.array([[0.0, 0, 0], [5, 0, 0], [0, 15, 0], [0, 0, 30], [60, 0, 0]])
    drawn = np.stack([smooth_field(np.random.default_rng(k), places, 15.0, 1.3) for k in range(4000)])
    apart = np.linalg.norm(places, axis=1)
    for axis in range(3):
        covariance = (drawn[:, :1, axis] * drawn[:, :, axis]).mean(0)
        assert covariance == pytest.approx(1.69 * np.exp(-(apart**2) / (2 * 15.0**2)), abs=0.12)
    assert drawn.mean((0, 1)) == pytest.approx(np.zeros(3), abs=0.05)
    assert (drawn[:, 0, 0] * drawn[:, 0, 1]).mean() == pytest.approx(0.0, abs=0.12)


def bent(seed, sd):
    subject, _ = draw_stranger(seed, "dp", length=15.0, sd=sd)
    placed = np.einsum("nij,nrsj->nrsi", subject.foot.frame, subject.surfaces[0])
    return placed + subject.foot.origin[:, None, None]


def test_bones_move_by_the_field_and_joints_stay_joints():
    """What lies close together, on one bone or on two, moves together: by differences of the kernel, two points a
    distance r apart part by sd * sqrt(2 - 2 exp(-r^2 / 2 l^2)) a component, here less than half a millimetre."""
    tip, base = bone_index("metatarsal_1"), bone_index("proximal_phalanx_1")
    moves, partings = [], []
    for k in range(4):
        before = bent((5, k), 0.0)
        move = bent((5, k), 1.0) - before
        moves.append(move)
        gap = before[tip, -1, 0] - before[base, 0, 0]
        expected = np.sqrt(2 - 2 * np.exp(-(gap @ gap) / (2 * 15.0**2)))
        assert expected < 0.5
        partings.append((move[tip, -1, 0] - move[base, 0, 0]) / expected)
    assert np.std(moves) == pytest.approx(1.0, abs=0.25)
    assert 0.4 < np.sqrt(np.mean(np.square(partings))) < 1.8


def test_a_field_of_no_height_changes_no_film():
    plain = compose_film((8, 1), request=REQUEST)
    same = compose_film((8, 1), request=REQUEST, draw=partial(draw_stranger, length=15.0, sd=0.0))
    assert same.pixels == pytest.approx(plain.pixels, abs=2e-2)
    assert np.abs(same.feet[0].landmarks - plain.feet[0].landmarks).max() < 0.02


def test_truth_follows_the_bent_bones():
    """Shaft points 0.6 mm a pixel move by about a millimetre; the angle is that of the moved points."""
    plain = compose_film((8, 1), request=REQUEST).feet[0]
    strange = compose_film((8, 1), request=REQUEST, draw=partial(draw_stranger, length=15.0, sd=1.0)).feet[0]
    shift = np.linalg.norm(strange.landmarks - plain.landmarks, axis=1) * 0.6
    assert 0.5 < np.median(shift) < 3.0
    assert strange.posed == plain.posed
    assert 0.01 < abs(strange.measures["hva"] - plain.measures["hva"]) < 15.0

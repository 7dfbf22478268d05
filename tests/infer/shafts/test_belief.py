"""Weighing of edge and network. Truth: Bayes' rule summed over a fine grid of places."""

from functools import partial

import numpy as np
import pytest
from scipy.stats import norm

from raysplay.infer.shafts.belief import weigh
from raysplay.infer.shafts.cortex import CortexFits


@pytest.fixture
def one(settings):
    return partial(belief_of, settings)


def belief_of(settings, offset=0.0, strength=1.3, scatter=0.004, softness=0.02, doubt=0.012, pixel=0.02):
    fits = CortexFits(*(np.array([x]) for x in (offset, 0.0, scatter, strength, softness)))
    return weigh(fits, np.array([doubt]), np.array([pixel]), settings)


@pytest.mark.parametrize("offset", [0.0, 0.01, -0.03, 0.08])
@pytest.mark.parametrize("strength", [0.4, 0.9, 1.4])
@pytest.mark.parametrize("doubt", [0.006, 0.03])
def test_mean_and_variance_are_those_of_bayes_rule(one, settings, offset, strength, doubt):
    place = np.linspace(-0.6, 0.6, 60001)
    s, scatter, softness, pixel = settings, 0.006, 0.025, 0.03
    prior = sum(
        share * norm.pdf(place, scale=times * doubt)
        for share, times in ((1 - s.gross_share, 1.0), (s.gross_share, s.gross_error))
    )
    parts = s.edge_sd, s.scatter_factor * scatter / strength, s.softness_sd * softness, s.pixel_sd * pixel
    edge_sd = np.sqrt(np.square(parts).sum())
    right = s.right * strength
    likelihood = right * norm.pdf(offset, place, edge_sd) + (1 - right) * norm.pdf(offset, scale=s.astray_sd * doubt)
    posterior = prior * likelihood
    posterior /= posterior.sum()
    mean = (posterior * place).sum()
    belief = one(offset, strength, scatter, softness, doubt, pixel)
    assert belief.mean[0] == pytest.approx(mean, abs=2e-5)
    assert belief.variance[0] == pytest.approx((posterior * (place - mean) ** 2).sum(), rel=2e-3)


def test_a_clear_edge_outweighs_a_vague_point_and_a_sure_point_a_faint_edge(one):
    assert one(offset=0.03, doubt=0.03).mean[0] > 0.02
    assert abs(one(offset=0.03, doubt=0.004, strength=0.5, scatter=0.02).mean[0]) < 0.005


def test_without_an_edge_the_point_stays_and_its_doubt_does_not_shrink(one):
    belief = one(offset=0.02, strength=0.0)
    assert belief.mean[0] == 0
    assert belief.edge_right[0] == 0
    assert belief.variance[0] >= 0.012**2


def test_disagreement_widens(one):
    agree, differ, far = (one(offset=d, doubt=0.006).variance[0] for d in (0.0, 0.015, 0.25))
    assert agree < differ
    assert agree < far


def test_a_softer_or_coarser_edge_counts_less(one):
    moved = [one(offset=0.02, **given).mean[0] for given in ({}, {"softness": 0.1}, {"pixel": 0.2}, {"scatter": 0.03})]
    assert moved[0] > max(moved[1:])


def test_an_edge_out_of_all_reach_changes_no_number_to_nan(one):
    belief = one(offset=5.0, doubt=0.004)
    assert np.isfinite(belief.mean).all()
    assert np.isfinite(belief.variance).all()

"""The fit of edge settings, on errors drawn from settings that are known, and on a tube seen from known points."""

import numpy as np
import pytest

from raysplay.infer.settings import reading_settings
from raysplay.infer.shafts.cortex import CortexFits
from raysplay.infer.shafts.refine import Sight
from raysplay.infer.shafts.strips import Shafts
from raysplay.train.shaft_edge_fit import CortexErrors, errors_of, fit

SHIPPED = reading_settings().shaft_edges
TRUE = SHIPPED.model_copy(
    update={
        "network_sd": 0.8,
        "gross_share": 0.08,
        "edge_sd": 0.002,
        "scatter_factor": 0.8,
        "softness_sd": 0.1,
        "pixel_sd": 0.15,
        "right": 0.5,
    }
)


def drawn(count, seed):
    """Errors by the model that the settings describe."""
    rng = np.random.default_rng(seed)
    doubt, scatter = rng.uniform(0.008, 0.05, count), rng.uniform(0.002, 0.03, count)
    strength, softness, pixel = (rng.uniform(*ends, count) for ends in ((0.5, 1.6), (0.01, 0.06), (0.01, 0.1)))
    times = np.where(rng.random(count) < TRUE.gross_share, TRUE.gross_error, 1.0)
    network = rng.normal(0, times * TRUE.network_sd * doubt)
    parts = TRUE.edge_sd, TRUE.scatter_factor * scatter / strength, TRUE.softness_sd * softness, TRUE.pixel_sd * pixel
    edge = rng.normal(0, np.sqrt(sum(np.square(part) for part in parts)))
    astray = network + rng.normal(0, TRUE.astray_sd * TRUE.network_sd * doubt)
    edge = np.where(rng.random(count) < TRUE.right * strength, edge, astray)
    return CortexErrors(network, edge, doubt, scatter, strength, softness, pixel)


def test_known_settings_are_found_again():
    found = fit([drawn(6000, 1), drawn(3000, 2)], SHIPPED)
    for name, tolerance in (
        ("network_sd", 0.04),
        ("gross_share", 0.3),
        ("scatter_factor", 0.1),
        ("softness_sd", 0.4),
        ("pixel_sd", 0.15),
        ("right", 0.06),
    ):
        assert getattr(found, name) == pytest.approx(getattr(TRUE, name), rel=tolerance), name
    kept = {"search_factor", "astray_sd", "gross_error", "right_least"}
    assert found.model_dump(include=kept) == SHIPPED.model_dump(include=kept)


def test_errors_are_measured_inward_at_the_level_of_the_network():
    """By hand: a shaft that widens by 0.1 on either side for each unit upward, points that lie a unit too high."""
    truth = np.array([[[-10.0, 0.0], [10.0, 0.0], [-14.0, -40.0], [14.0, -40.0]]])
    there = truth + np.array([0.0, -1.0])
    there[0, :, 0] = [-10.1 + 0.5, 10.1 - 0.25, -14.1, 14.1 + 1.0]
    shafts = Shafts.of(there)
    zero = np.zeros((1, 2, 2))
    # The film shows the true slope: what the network's lines lack of it, as CortexFits states it.
    true_slope = np.array([-0.1, 0.1])
    lacking = (true_slope - shafts.slope[0])[None, :, None] * np.array([1.0, -1.0])[None, :, None]
    slope = np.broadcast_to(lacking * shafts.length[0] / shafts.width[0], (1, 2, 2))
    fits = CortexFits(zero + 0.01, slope, zero + 0.003, zero + 1.3, zero + 0.02)
    sight = Sight(np.arange(4)[None], shafts, np.zeros((1, 4, 2, 2)), zero + 0.02, zero + 0.05, fits)
    errors = errors_of(sight, truth)
    want = np.array([0.5, 0.0, 0.25, -1.0]) / shafts.width[0]
    assert errors.network == pytest.approx(want, abs=0.004)
    assert errors.edge == pytest.approx(errors.network + 0.01)

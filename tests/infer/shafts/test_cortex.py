"""Paths and lines. Truth: every path tried, and edges drawn where they are known."""

import itertools

import numpy as np
import pytest
from scipy.special import erf

from raysplay.infer.shafts import cortex
from raysplay.infer.shafts.cortex import find_cortices, follow
from raysplay.infer.shafts.strips import COLUMN, COLUMNS, LEVELS


def test_the_best_path_is_the_best_of_all():
    rng = np.random.default_rng(3)
    for _ in range(20):
        score = rng.normal(size=(1, 5, 4))
        best = max(
            itertools.product(range(4), repeat=5),
            key=lambda way: (
                (
                    sum(score[0, row, column] for row, column in enumerate(way))
                    - sum(cortex._BEND * (a - b) ** 2 for a, b in itertools.pairwise(way))
                )
                if max(abs(a - b) for a, b in itertools.pairwise(way)) <= cortex._STEP
                else -np.inf
            ),
        )
        assert tuple(follow(score)[0]) == best


def drawn(place, softness=0.01, contrast=0.5, noise=0.0, seed=0):
    """One strip with an edge at ``place`` (a function of the level), in widths inward of the middle."""
    aside = (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * COLUMN
    edge = np.vectorize(place)(LEVELS)
    strip = 0.2 + contrast * 0.5 * (1 + erf((aside - edge[:, None]) / softness / np.sqrt(2)))
    strip = strip + np.random.default_rng(seed).normal(0, noise, strip.shape)
    return np.broadcast_to(strip, (1, 2, *strip.shape)).astype(np.float32)


ENDS = np.broadcast_to([0.0, 1.0], (1, 2, 2))
DOUBT = np.full((1, 2, 2), 0.05)


@pytest.mark.parametrize("softness", [0.006, 0.012, 0.02])
def test_a_soft_step_is_found_to_a_fraction_of_a_column(softness):
    """A step blurred by a normal distribution is steepest at its place; its outer half width is 1.18 deviations."""
    at = lambda level: 0.015 + 0.03 * (level - 0.5)  # noqa: E731
    fits = find_cortices(drawn(at, softness), ENDS, DOUBT)
    half_width = np.sqrt(2 * np.log(2)) * np.hypot(softness, cortex._BLUR_ACROSS)
    for k, level in enumerate((0.0, 1.0)):
        assert fits.offset[0, :, k] == pytest.approx(at(level) - cortex._FALL * half_width, abs=0.0015)
        assert fits.slope[0, :, k] == pytest.approx(0.03, abs=0.012)
    assert (fits.strength > 0.9).all()


def test_scatter_tells_of_noise():
    quiet = find_cortices(drawn(lambda level: 0.0, noise=0.002), ENDS, DOUBT).scatter.mean()
    loud = find_cortices(drawn(lambda level: 0.0, noise=0.2), ENDS, DOUBT).scatter.mean()
    assert loud > 2 * quiet


def test_a_dark_inside_is_no_cortex():
    """Bone is brighter than what lies beside it."""
    wrong = find_cortices(drawn(lambda level: 0.0, contrast=-0.15), ENDS, DOUBT)
    right = find_cortices(drawn(lambda level: 0.0, contrast=0.5), ENDS, DOUBT)
    assert wrong.strength.max() < 0.3 < 0.9 < right.strength.min()


def test_the_nearer_of_two_edges_is_taken():
    both = drawn(lambda level: 0.02) + drawn(lambda level: -0.15)
    fits = find_cortices(both, ENDS, np.full((1, 2, 2), 0.03))
    assert (np.abs(fits.offset - 0.02) < 0.02).all()


def test_no_row_at_a_level_gives_no_strength():
    fits = find_cortices(drawn(lambda level: 0.0), np.broadcast_to([-2.0, 1.0], (1, 2, 2)), DOUBT)
    assert (fits.strength[..., 0] == 0).all()
    assert (fits.strength[..., 1] > 0.9).all()
    assert np.isfinite(fits.offset).all()

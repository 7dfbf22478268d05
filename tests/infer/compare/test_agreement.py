"""Figures of agreement against printed examples."""

import numpy as np
import pytest

from raysplay.infer.compare.agreement import agreement
from raysplay.infer.compare.bootstrap import mean_interval_by_film

# Bland and Altman, Lancet 1986;i:307, peak expiratory flow by two meters, first readings (data as in the
# R package BlandAltmanLeh); exact figures recomputed in the project's fact sheet, section 8.1 (tag D).
WRIGHT = (494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427)
MINI = (512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451)


def test_bland_and_altman_1986():
    result = agreement(np.subtract(WRIGHT, MINI))
    assert result.bias == pytest.approx(-2.11765, abs=1e-5)
    assert result.sd == pytest.approx(38.76513, abs=1e-5)
    assert result.lower == pytest.approx(-78.097, abs=1e-3)
    assert result.upper == pytest.approx(73.862, abs=1e-3)
    # The paper prints -2.1 and 38.8.
    assert (round(result.bias, 1), round(result.sd, 1)) == (-2.1, 38.8)


def test_too_few_differences_have_no_limits():
    assert np.isnan(agreement([]).bias)
    one = agreement([3.0])
    assert one.bias == 3.0
    assert np.isnan(one.lower)


def test_the_bootstrap_keeps_the_feet_of_a_film_together():
    """Both feet of a film alike: the interval is that of the films, sqrt(2) wider than of single feet.

    Standard error of a mean: s / sqrt(n); normal interval, common practice.
    """
    values = np.random.default_rng(1).normal(10.0, 3.0, 300)
    films = [f"{i}" for i in range(300)]
    low, high = mean_interval_by_film(
        np.repeat(values, 2), np.repeat(films, 2).tolist(), samples=1000, seed=7, level=0.95
    )
    half = 1.96 * values.std(ddof=1) / np.sqrt(300)
    assert low == pytest.approx(values.mean() - half, abs=0.15 * half)
    assert high == pytest.approx(values.mean() + half, abs=0.15 * half)


def test_the_bootstrap_repeats_itself_and_needs_two_films():
    settings = {"samples": 200, "seed": 3, "level": 0.9}
    values, films = [1.0, 2.0, 4.0, 8.0], ["a", "a", "b", "c"]
    assert mean_interval_by_film(values, films, **settings) == mean_interval_by_film(values, films, **settings)
    assert np.isnan(mean_interval_by_film([1.0, 2.0], ["a", "a"], **settings)).all()

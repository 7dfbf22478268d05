"""Interval factors: the promise of split conformal prediction, by exact order statistics and by simulation."""

import math

import numpy as np
import pytest

from raysplay.train.evaluate.calibration import interval_factor


class TestOrderStatistic:
    """Rank ceil((n + 1) * level) (Vovk, Gammerman and Shafer 2005; from memory)."""

    @pytest.mark.parametrize(("n", "rank"), [(9, 9), (19, 18), (39, 36), (99, 90)])
    def test_takes_the_rank(self, n: int, rank: int) -> None:
        error = np.random.default_rng(n).permutation(np.arange(1.0, n + 1))
        assert interval_factor(error, np.ones(n), 0.9) == rank

    def test_too_few_errors_promise_nothing(self) -> None:
        assert math.isinf(interval_factor(np.ones(8), np.ones(8), 0.9))

    def test_no_known_error(self) -> None:
        assert math.isnan(interval_factor(np.array([np.nan]), np.array([1.0]), 0.9))

    def test_sign_of_the_error_does_not_count(self) -> None:
        error = np.arange(1.0, 40.0)
        assert interval_factor(-error, np.ones(39), 0.9) == interval_factor(error, np.ones(39), 0.9)


class TestPromise:
    """Feet drawn like those calibrated on are held at the level, whatever the shape of the errors."""

    @pytest.mark.parametrize("shape", ["normal", "heavy", "skew"])
    def test_new_feet_are_held(self, shape: str) -> None:
        rng = np.random.default_rng(7)
        draw = {
            "normal": lambda n: rng.standard_normal(n),
            "heavy": lambda n: rng.standard_t(2, n),
            "skew": lambda n: rng.exponential(size=n) - 1,
        }[shape]
        held = []
        for _ in range(400):
            width = rng.uniform(0.5, 2, 100)
            factor = interval_factor(draw(99) * width[:99], width[:99], 0.9)
            held.append(np.mean(np.abs(draw(400)) <= factor))
        assert np.mean(held) == pytest.approx(0.9, abs=0.01)

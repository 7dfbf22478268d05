"""Interval factors: the promise of split conformal prediction, by exact order statistics and by simulation."""

import math

import numpy as np
import pytest
from scipy.stats import beta, kstest, norm

from raysplay.infer.compare.calibration import interval_factor


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

    @pytest.mark.parametrize(("n", "level"), [(39, 0.9), (99, 0.9), (60, 0.8)])
    def test_what_one_calibration_holds_is_beta_distributed(self, n: int, level: float) -> None:
        """With k = ceil((n + 1) * level): Beta(k, n + 1 - k) (Vovk 2012, Conditional validity of inductive conformal
        predictors; from memory). It follows from order statistics of uniforms."""
        rng = np.random.default_rng(n)
        factors = np.array([interval_factor(rng.standard_normal(n), np.ones(n), level) for _ in range(2000)])
        held = 2 * norm.cdf(factors) - 1
        rank = math.ceil((n + 1) * level - 1e-9)
        assert kstest(held, beta(rank, n + 1 - rank).cdf).pvalue > 0.001

    def test_widths_may_differ_from_foot_to_foot(self) -> None:
        """Scaling error and width of one foot together changes nothing: the score is their ratio."""
        rng = np.random.default_rng(2)
        error, scale = rng.standard_normal(59), rng.uniform(0.1, 10, 59)
        assert interval_factor(error * scale, scale, 0.9) == pytest.approx(interval_factor(error, np.ones(59), 0.9))


class TestFilms:
    """Each film has one vote (Lee, Barber and Willett 2023; from memory)."""

    def test_one_foot_a_film_changes_nothing(self) -> None:
        error = np.random.default_rng(1).standard_normal(79)
        films = [f"film {k}" for k in range(79)]
        assert interval_factor(error, np.ones(79), 0.9, films) == interval_factor(error, np.ones(79), 0.9)

    def test_worked_by_hand(self) -> None:
        """Film a: 1 and 9, b: 2, c: 3. Votes in order of size: 1/2, 3/2, 5/2, 3; of 4 with the new film's own.
        Half needs 2 votes: 3. Three quarters need 3: 9. More cannot be promised."""
        error, films = np.array([1.0, 9.0, 2.0, 3.0]), ["a", "a", "b", "c"]
        assert interval_factor(error, np.ones(4), 0.5, films) == 3.0
        assert interval_factor(error, np.ones(4), 0.75, films) == 9.0
        assert math.isinf(interval_factor(error, np.ones(4), 0.8, films))

    def test_feet_that_share_their_error_are_held_on_new_films(self) -> None:
        """Films of bad quality show two feet, good ones one: the level holds for a foot drawn from a new film."""
        rng = np.random.default_rng(11)

        def draw(films: int) -> tuple[np.ndarray, np.ndarray]:
            feet = rng.integers(1, 3, films)
            number = np.repeat(np.arange(films), feet)
            return (rng.standard_normal(films) * feet**2)[number], number

        held = []
        for _ in range(600):
            error, films = draw(39)
            factor = interval_factor(error, np.ones(len(error)), 0.9, [str(k) for k in films])
            error, films = draw(300)
            mean_by_film = np.bincount(films, np.abs(error) <= factor) / np.bincount(films)
            held.append(mean_by_film.mean())
        assert 0.89 <= np.mean(held) <= 0.9 + 1 / 40 + 0.01

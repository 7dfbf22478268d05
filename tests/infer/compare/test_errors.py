"""Error figures against numbers worked by hand."""

import numpy as np
import pytest

from raysplay.infer.compare.errors import Readings, error_figures
from raysplay.infer.compare.settings import evaluation_settings

SETTINGS = evaluation_settings()


def readings(errors, half=2.0, truth=20.0):
    truth = np.full(len(errors), truth)
    value = truth + errors
    films = tuple(f"{i}" for i in range(len(errors)))
    return Readings(value, value - half, value + half, truth, films)


def test_figures_worked_by_hand():
    """Errors -4, -1, 0, 2, 8: absolute 4 1 0 2 8, sum 15; squares 16 1 0 4 64, sum 85; mean error 1."""
    f = error_figures(readings([-4.0, -1.0, 0.0, 2.0, 8.0]), SETTINGS)
    assert (f.n, f.mae, f.median_absolute, f.bias) == (5, 3.0, 2.0, 1.0)
    assert f.rmse == pytest.approx(17.0**0.5)
    assert f.sd == pytest.approx(20.0**0.5)
    assert (f.loa_low, f.loa_high) == pytest.approx((1 - 1.96 * 20**0.5, 1 + 1.96 * 20**0.5))
    assert f.percentile_95 == pytest.approx(7.2)  # 4 and 8 are the last two of five: 4 + 0.8 * 4
    assert f.within == {3.0: 0.6, 5.0: 0.8}
    assert f.coverage == pytest.approx(0.6)  # an end on the truth holds it
    assert f.interval_width == pytest.approx(4.0)
    assert f.mae_low < f.mae < f.mae_high


def test_feet_without_a_number_or_a_truth_are_left_out():
    full = readings([1.0, 2.0, 3.0])
    full.value[0] = np.nan
    full.truth[1] = np.nan
    f = error_figures(full, SETTINGS)
    assert (f.n, f.mae) == (1, 3.0)


def test_no_foot_gives_no_figure():
    f = error_figures(readings([]), SETTINGS)
    assert f.n == 0
    assert np.isnan([f.mae, f.rmse, f.bias, f.coverage, f.percentile_95]).all()


def test_coverage_of_a_right_interval_is_its_level():
    """Errors of standard deviation 1.5 in normal 90 % intervals; binomial error of 4000 draws is 0.5 %."""
    errors = np.random.default_rng(5).normal(0.0, 1.5, 4000)
    f = error_figures(readings(errors, half=1.6449 * 1.5), SETTINGS)
    assert f.coverage == pytest.approx(0.90, abs=0.02)

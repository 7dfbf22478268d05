"""Risk-coverage curves worked by hand."""

import numpy as np
import pytest

from raysplay.train.suite.risk_coverage import risk_coverage


def test_worked_by_hand():
    """Errors 3 -1 2 -4, doubts 30 10 40 20: the order is 1 4 3 2, sums 1 5 8 10; in order of error 1 3 6 10."""
    curve = risk_coverage([3.0, -1.0, 2.0, -4.0], [30.0, 10.0, 40.0, 20.0])
    assert curve.kept.tolist() == [0.25, 0.5, 0.75, 1.0]
    assert curve.risk == pytest.approx([1.0, 2.5, 8 / 3, 2.5])
    assert curve.area == pytest.approx((1 + 2.5 + 8 / 3 + 2.5) / 4)
    assert curve.least == pytest.approx((1 + 1.5 + 2 + 2.5) / 4)


def test_doubt_that_knows_the_error_has_the_least_area():
    error = np.random.default_rng(3).normal(size=200)
    curve = risk_coverage(error, np.abs(error))
    assert curve.area == pytest.approx(curve.least)
    assert (np.diff(curve.risk) >= 0).all()


def test_doubt_that_knows_nothing_gains_nothing():
    """By symmetry every foot is as likely to stay: the expected risk is the mean error at every share."""
    rng = np.random.default_rng(4)
    areas = []
    for _ in range(300):
        error = rng.normal(size=50)
        areas.append(risk_coverage(error, rng.uniform(size=50)).area / np.abs(error).mean())
    assert np.mean(areas) == pytest.approx(1.0, abs=0.02)


def test_no_foot():
    curve = risk_coverage([], [])
    assert curve.kept.size == 0
    assert np.isnan([curve.area, curve.least]).all()

"""Intervals of shares."""

import numpy as np
import pytest
from scipy.stats import binom

from raysplay.infer.agreement.statistics.proportion import wilson


@pytest.mark.parametrize(
    ("part", "whole", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_printed_intervals(part, whole, low, high):
    """Newcombe, Statistics in Medicine 1998;17:857, table I, method 3 (from memory)."""
    assert wilson(part, whole, 0.95) == pytest.approx((low, high), abs=5e-5)


def test_it_holds_the_true_share_about_as_often_as_it_says():
    """Exact binomial sums: the mean over shares of Wilson's coverage lies near its level (Newcombe 1998)."""
    n = 40
    ends = np.array([wilson(k, n, 0.95) for k in range(n + 1)])
    shares = np.linspace(0.02, 0.98, 97)
    held = [binom.pmf(np.arange(n + 1), n, p)[(ends[:, 0] <= p) & (p <= ends[:, 1])].sum() for p in shares]
    assert np.mean(held) == pytest.approx(0.95, abs=0.01)


def test_nothing_has_no_share():
    assert np.isnan(wilson(0, 0, 0.95)).all()

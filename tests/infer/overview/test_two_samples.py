"""Tests of two groups against worked examples, other libraries, enumeration and simulation."""

import itertools
from math import comb

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from raysplay.infer.overview.two_samples import FEWEST, holm, kolmogorov_smirnov, median_difference, same_shares


def test_holm_is_that_of_statsmodels():
    rng = np.random.default_rng(3)
    for number in range(8):
        p = rng.random(1 + 3 * number) ** 4
        p[rng.random(p.size) < 0.2] = p[0]  # some are equal
        np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1], atol=1e-12)


def test_chi_square_of_a_worked_example():
    """The documentation of scipy.stats.chi2_contingency: 10, 10, 20 and 20, 20, 20 give 2.778 with p 0.249."""
    found = same_shares([[10, 10, 20], [20, 20, 20]])
    assert (found.statistic, found.p) == pytest.approx((2.7777777777777777, 0.24935220877729614))


def enumerated(table):
    """Exact probability of a chi-square as large, over all tables with these margins (multivariate hypergeometric)."""
    table = np.asarray(table)
    rows, columns = table.sum(axis=1), table.sum(axis=0)
    expected = np.outer(rows, columns) / table.sum()
    seen = ((table - expected) ** 2 / expected).sum()
    whole = comb(int(table.sum()), int(rows[0]))
    total = 0.0
    for first in itertools.product(*(range(count + 1) for count in columns)):
        if sum(first) != rows[0]:
            continue
        other = np.stack([first, columns - first])
        if ((other - expected) ** 2 / expected).sum() >= seen * (1 - 1e-9):
            total += np.prod([comb(int(n), k) for n, k in zip(columns, first, strict=True)]) / whole
    return total


@pytest.mark.parametrize("table", [[[9, 1, 2], [4, 6, 1]], [[3, 0, 8], [1, 5, 7]], [[12, 2, 0], [5, 4, 3]]])
def test_of_few_the_probability_is_that_of_all_tables(table):
    """9,999 tables drawn: three standard errors of a share near one half are 0.015."""
    assert same_shares(table).p == pytest.approx(enumerated(table), abs=0.015)


def test_a_kind_that_nobody_has_does_not_count():
    with_none, without = same_shares([[30, 20, 0], [25, 40, 0]]), same_shares([[30, 20], [25, 40]])
    assert (with_none.statistic, with_none.p) == (without.statistic, without.p)


@pytest.mark.parametrize("table", [[[5, 0, 0], [7, 0, 0]], [[0, 0, 0], [7, 2, 1]], [[0, 0], [0, 0]]])
def test_where_nothing_can_differ_there_is_no_test(table):
    assert same_shares(table) is None


def test_the_distance_is_the_largest_of_the_step_functions():
    """By counting; its probability by putting 20,000 times the labels on anew."""
    rng = np.random.default_rng(4)
    first, second = rng.normal(0, 1, 14).round(1), rng.normal(1.2, 1, 11).round(1)
    pooled = np.concatenate([first, second])

    def distance(a, b):
        return max(abs((a <= x).mean() - (b <= x).mean()) for x in pooled)

    found = kolmogorov_smirnov(first, second)
    assert found.statistic == pytest.approx(distance(first, second))
    shuffled = 0
    at = np.sort(np.unique(pooled))
    for _ in range(20_000):
        rng.shuffle(pooled)
        a, b = np.sort(pooled[:14]), np.sort(pooled[14:])
        steps = np.searchsorted(a, at, "right") / 14 - np.searchsorted(b, at, "right") / 11
        shuffled += np.abs(steps).max() >= found.statistic - 1e-9
    assert found.p >= shuffled / 20_000 - 0.01, "of ties the probability is at least the true one"
    assert found.p < 0.5


@pytest.mark.slow
@pytest.mark.parametrize(("sizes", "draw"), [((30, 400), "normal"), ((60, 60), "normal"), ((80, 150), "skewed")])
def test_the_interval_of_medians_holds_what_it_says(sizes, draw):
    """2,000 rounds: of 95 %, between 93 and 98 % (two standard errors are 1 %; the formula is near, not exact)."""
    rng = np.random.default_rng(17)
    held = 0
    for _ in range(2000):
        first, second = ((rng.normal(20, 8, n) if draw == "normal" else rng.gamma(2.0, 6.0, n)).round(1) for n in sizes)
        found = median_difference(first, second + 3.0)
        held += found.low <= 3.0 <= found.high
    assert 0.93 <= held / 2000 <= 0.98


def test_the_interval_of_medians_is_near_that_of_a_bootstrap():
    """scipy.stats.bootstrap, percentile method."""
    rng = np.random.default_rng(23)
    first, second = rng.normal(20, 8, 300), rng.normal(24, 8, 200)
    found = median_difference(first, second)
    other = stats.bootstrap(
        (first, second),
        lambda a, b, axis: np.median(b, axis=axis) - np.median(a, axis=axis),
        method="percentile",
        rng=np.random.default_rng(1),
    ).confidence_interval
    assert found.value == pytest.approx(np.median(second) - np.median(first))
    assert (found.low, found.high) == pytest.approx((other.low, other.high), abs=0.8)


def test_of_few_persons_no_interval_is_given():
    found = median_difference(np.arange(float(FEWEST - 1)), np.arange(50.0))
    assert np.isnan(found.value)
    assert "fewer than" in found.why


@pytest.mark.slow
def test_all_tests_together_alarm_as_often_as_is_said():
    """Three measures, one of them much like another, and decisions; 1,500 rounds of one population, alarm rate 5 %.

    At most 5 % and three standard errors (0.017); not far below either, or the tests would find nothing.
    """
    rng = np.random.default_rng(31)
    alarms = 0
    for _ in range(1500):
        persons = 300
        hva = rng.normal(22, 8, persons)
        measured = [
            hva.round(1),
            (5 + 0.3 * hva + rng.normal(0, 2, persons)).round(1),
            rng.normal(9, 2, persons).round(1),
        ]
        decided = rng.choice(3, persons, p=(0.8, 0.15, 0.05))
        counts = [np.bincount(part, minlength=3) for part in (decided[:120], decided[120:])]
        p = [kolmogorov_smirnov(one[:120], one[120:]).p for one in measured] + [same_shares(counts).p]
        alarms += min(holm(p)) < 0.05
    assert 0.02 <= alarms / 1500 <= 0.05 + 0.017

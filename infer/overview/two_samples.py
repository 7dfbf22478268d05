"""Whether two groups of persons differ by more than chance: distributions, medians, shares, and many tests at once.

Every value stands for one person (or one film of nobody named), so that the values are independent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import stats

from raysplay.infer.agreement.statistics.estimate import Basis, Estimate

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

FEWEST = 10
"""Persons of either group from which on groups are compared."""
_EXACT = 1000
_LEAST_EXPECTED = 5.0
"""Expected count of a cell from which on chi-square is near its distribution (Cochran, Biometrics 1954;10:417; from
memory)."""
_TABLES, _SEED = 9999, 20261128

MEDIANS = Basis(
    "interval of the difference of two medians from order statistics",
    "independent persons",
    "Price and Bonett, Journal of Statistical Computation and Simulation 2002;72:119 (from memory)",
)


@dataclass(frozen=True)
class Test:
    """A test of two groups: ``statistic`` and ``p``, the probability of one so large if only chance were at work."""

    name: str
    statistic: float
    p: float


def kolmogorov_smirnov(first: FloatArray, second: FloatArray) -> Test:
    """Whether two distributions are one: largest distance of the two empirical distribution functions.

    Of numbers with ties (one decimal) the probability is at least the true one.

    Parameters
    ----------
    first, second : ndarray, shape (n,) and (m,)
        Finite.

    Returns
    -------
    Test
        Kolmogorov-Smirnov, two-sided; exact up to 1,000 values, by its limit beyond.
    """
    exact = max(first.size, second.size) <= _EXACT
    found = stats.ks_2samp(first, second, method="exact" if exact else "asymp")
    return Test("Kolmogorov-Smirnov", float(found.statistic), float(found.pvalue))


def median_difference(first: FloatArray, second: FloatArray, level: float = 0.95) -> Estimate:
    """Median of the second less that of the first.

    Parameters
    ----------
    first, second : ndarray, shape (n,) and (m,)
        Finite.
    level : float

    Returns
    -------
    Estimate
        In the unit of the values.

    Examples
    --------
    >>> found = median_difference(np.arange(100.0), np.arange(100.0) + 5.0)
    >>> found.value, round(found.low, 1), round(found.high, 1)
    (5.0, -8.8, 18.8)
    """
    n = first.size + second.size
    if min(first.size, second.size) < FEWEST:
        return MEDIANS.unknown(f"fewer than {FEWEST} persons in a group", n, level)
    value = float(np.median(second) - np.median(first))
    half = stats.norm.ppf(0.5 + level / 2.0) * float(np.hypot(_median_error(first), _median_error(second)))
    return MEDIANS.estimate(value, value - half, value + half, n, level)


def _median_error(values: FloatArray) -> float:
    """Standard error of a median: two order statistics about it lie as many normal deviates apart as they hold."""
    ordered, n = np.sort(values), values.size
    place = max(round(n / 2 - np.sqrt(n)), 1)
    deviate = stats.norm.ppf(1.0 - stats.binom.cdf(place - 1, n, 0.5))
    return float((ordered[n - place] - ordered[place - 1]) / (2.0 * deviate))


def same_shares(counts: npt.ArrayLike) -> Test | None:
    """Whether groups have the same shares of kinds.

    Parameters
    ----------
    counts : array_like of int, shape (2, K)
        Members of each group by kind; kinds that nobody has do not count.

    Returns
    -------
    Test or None
        Chi-square; where a cell is expected to hold fewer than 5, by 9,999 tables with the same margins drawn at
        random. None where a group is empty, or all are of one kind.
    """
    table: IntArray = np.asarray(counts, dtype=np.int64)
    table = table[:, table.sum(axis=0) > 0]
    if table.shape[1] < 2 or (table.sum(axis=1) == 0).any():
        return None
    found = stats.chi2_contingency(table, correction=False)
    expected = found.expected_freq
    if expected.min() >= _LEAST_EXPECTED:
        return Test("chi-square", float(found.statistic), float(found.pvalue))
    drawn = stats.random_table.rvs(table.sum(axis=1), table.sum(axis=0), size=_TABLES, random_state=_SEED)
    as_large = ((drawn - expected) ** 2 / expected).sum(axis=(1, 2)) >= found.statistic * (1.0 - 1e-9)
    return Test("chi-square by tables drawn", float(found.statistic), float((1 + as_large.sum()) / (1 + _TABLES)))


def holm(p: Sequence[float]) -> list[float]:
    """Probabilities corrected for their number, so that all tests together alarm falsely no more often than one.

    Holm, Scandinavian Journal of Statistics 1979;6:65.

    Examples
    --------
    >>> [round(one, 3) for one in holm([0.01, 0.04, 0.03, 0.005])]
    [0.03, 0.06, 0.06, 0.02]
    """
    order = np.argsort(p, kind="stable")
    stepped = np.asarray(p, dtype=np.float64)[order] * np.arange(len(p), 0, -1)
    corrected = np.empty(len(p))
    corrected[order] = np.minimum(np.maximum.accumulate(stepped), 1.0)
    return [float(one) for one in corrected]

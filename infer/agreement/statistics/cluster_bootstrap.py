"""Confidence intervals from samples of persons drawn again, all their films kept together.

Both feet of a person are not independent, so feet must not be drawn one by one. A sample of persons drawn with
replacement is a vector of counts, one a person; ``samples`` of them are one matrix, and every statistic that rests on
sums is a product of that matrix with the sums of the persons. Nothing is drawn in a loop.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.stats import norm, t

from raysplay.infer.agreement.statistics.inputs import FloatArray, IntArray, checked_level

SAMPLES = 2000
SEED = 1986

FEWEST = 10
"""Persons below which a bootstrap interval is not given: resampling so few tells too little of the tails."""

MOST_LOST = 0.05
"""Share of samples in which a statistic may be undefined before its interval is withheld."""

BLOCK = 8_000_000
"""Numbers of one block of draws; 64 MB."""


@lru_cache(maxsize=4)  # of all persons, those accepted, those whom all readers read; 16 MB for 1,000 persons
def _kept_counts(persons: int, samples: int, seed: int) -> FloatArray:
    return np.concatenate(list(_counts(persons, samples, seed)))


def _counts(persons: int, samples: int, seed: int) -> Iterator[FloatArray]:
    generator = np.random.default_rng(seed)
    block = max(1, BLOCK // (4 * persons))
    for start in range(0, samples, block):
        rows = min(block, samples - start)
        drawn = generator.integers(persons, size=(rows, persons))
        drawn += persons * np.arange(rows)[:, None]
        yield np.bincount(drawn.ravel(), minlength=rows * persons).reshape(rows, persons).astype(np.float64)


def draws(persons: int, samples: int = SAMPLES, seed: int = SEED) -> Iterator[FloatArray]:
    """How often each person is in each sample, in blocks of samples.

    Parameters
    ----------
    persons, samples, seed : int
        The same three give the same draws.

    Yields
    ------
    ndarray, shape (some samples, persons)
        Each row sums to ``persons``.

    Examples
    --------
    >>> counts = np.concatenate(list(draws(5, samples=3)))
    >>> counts.shape, counts.sum(axis=1).tolist()
    ((3, 5), [5.0, 5.0, 5.0])
    """
    if persons * samples <= BLOCK:
        yield _kept_counts(persons, samples, seed)
    else:
        yield from _counts(persons, samples, seed)


def person_sums(rows: FloatArray, person: IntArray) -> FloatArray:
    """Sums of the rows of each person, shape (persons, k), from rows (n, k) and persons 0.. (n,).

    Examples
    --------
    >>> person_sums(np.array([[1.0], [2.0], [5.0]]), np.array([0, 0, 1])).ravel().tolist()
    [3.0, 5.0]
    """
    if len(rows) and np.array_equal(person, np.arange(len(rows))):
        return rows
    return np.stack([np.bincount(person, weights=column) for column in rows.T], axis=1)


def _same(values: FloatArray) -> FloatArray:
    return values


def sums_interval(
    rows: FloatArray,
    statistic: Callable[[FloatArray], FloatArray],
    person: IntArray,
    level: float,
    *,
    forward: Callable[[FloatArray], FloatArray] = _same,
    inverse: Callable[[FloatArray], FloatArray] = _same,
    samples: int = SAMPLES,
    seed: int = SEED,
) -> tuple[FloatArray, FloatArray]:
    """Interval of smooth statistics of sums over rows, by the studentised bootstrap on a scale of choice.

    Every sample gives its statistic u* and the standard error of it, ``sqrt(g' V g)`` with V the covariance of the sums
    over the persons drawn and g the statistic's gradient (the infinitesimal jackknife); the quantiles of (u* - u) / se*
    take the place of those of t (Efron and Tibshirani 1993, "An Introduction to the Bootstrap", chapters 12 and 21;
    from memory). They are widened for few persons, see :func:`widening`.

    Parameters
    ----------
    rows : ndarray, shape (n, k)
        What each row adds to the k sums, taken about their middle so that squares do not swamp differences.
    statistic : callable
        Sums of shape (..., k) to statistics of shape (..., m).
    person : ndarray of int, shape (n,)
        0.. without gaps.
    level : float
    forward, inverse : callable
        To a scale on which the statistic is less skewed, and back; both rising.

    Returns
    -------
    low, high : ndarray, shape (m,)
        ``nan`` below ``FEWEST`` persons, without spread, or where too many samples leave the statistic undefined.

    Examples
    --------
    >>> x = np.arange(20.0)
    >>> rows = np.stack([x, np.ones(20)], axis=1)
    >>> low, high = sums_interval(rows, lambda s: s[..., :1] / s[..., 1:], np.arange(20), 0.95)
    >>> bool(6.0 < low[0] < 9.5 < high[0] < 13.0)
    True
    """
    checked_level(level)
    sums = person_sums(rows, person)
    persons, k = sums.shape
    total = sums.sum(axis=0)
    first, second = np.triu_indices(k)
    products = sums[:, first] * sums[:, second]
    step = 1e-5 * np.sqrt(persons * np.mean(sums**2, axis=0))
    moved = step > 0.0

    def scaled(at: FloatArray) -> FloatArray:
        return forward(statistic(at))

    def error(at: FloatArray, squares: FloatArray) -> FloatArray:
        gradient = np.zeros((*scaled(at).shape, k))
        for i in np.flatnonzero(moved):
            aside = np.where(np.arange(k) == i, step, 0.0)
            gradient[..., i] = (scaled(at + aside) - scaled(at - aside)) / (2.0 * step[i])
        spread = (squares - at[..., first] * at[..., second] / persons) * np.where(first == second, 1.0, 2.0)
        variance = np.einsum("...mj,...mj,...j->...m", gradient[..., first], gradient[..., second], spread)
        of_mean: FloatArray = np.sqrt(np.maximum(variance, 0.0) * persons / max(persons - 1.0, 1.0))
        return of_mean

    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        value = scaled(total)
        low, high = np.full(value.shape, np.nan), np.full(value.shape, np.nan)
        if persons < FEWEST:
            return low, high
        own = error(total, products.sum(axis=0))
        pivots = np.concatenate(
            [
                (scaled(at) - value) / error(at, counts @ products)
                for counts in draws(persons, samples, seed)
                for at in [counts @ sums]
            ]
        )
        for j in range(len(value)):
            known = pivots[np.isfinite(pivots[:, j]), j]
            if not np.isfinite(value[j]) or not own[j] > 1e-9 * max(abs(value[j]), 1e-300):
                continue
            if len(known) < (1.0 - MOST_LOST) * samples:
                continue
            upper, lower = widening(persons, level) * np.quantile(known, [0.5 + level / 2.0, 0.5 - level / 2.0])
            low[j], high[j] = inverse(value[j] - upper * own[j]), inverse(value[j] - lower * own[j])
    return low, high


def weights_interval(
    statistic: Callable[[FloatArray], FloatArray],
    person: IntArray,
    level: float,
    *,
    samples: int = SAMPLES,
    seed: int = SEED,
) -> tuple[FloatArray, FloatArray]:
    """Interval (bias corrected and accelerated) of statistics that need the rows themselves.

    Efron, Journal of the American Statistical Association 1987;82:171: the quantiles of the drawn statistics are
    taken at levels shifted by their median bias and by the skewness of the statistic without one person at a time.

    Parameters
    ----------
    statistic : callable
        Weights of the rows, shape (b, n), to statistics of shape (b, m).
    person : ndarray of int, shape (n,)
    level : float

    Returns
    -------
    low, high : ndarray, shape (m,)
        ``nan`` as for ``sums_interval``.

    Examples
    --------
    >>> x = np.arange(20.0)
    >>> low, high = weights_interval(lambda w: (w @ x / w.sum(axis=1))[:, None], np.arange(20), 0.95)
    >>> bool(6.5 < low[0] < 9.5 < high[0] < 12.5)
    True
    """
    persons = int(person.max()) + 1 if person.size else 0
    with np.errstate(invalid="ignore", divide="ignore"):
        value = statistic(np.ones((1, len(person))))[0]
        if persons < FEWEST:
            return np.full(value.shape, np.nan), np.full(value.shape, np.nan)
        step = max(1, BLOCK // (8 * max(len(person), 1)))
        drawn, without = [], []
        for counts in draws(persons, samples, seed):
            drawn += [statistic(counts[i : i + step][:, person]) for i in range(0, len(counts), step)]
        for i in range(0, persons, step):
            left_out = np.arange(i, min(i + step, persons))
            without.append(statistic((person[None, :] != left_out[:, None]).astype(np.float64)))
    return _corrected_quantiles(value, np.concatenate(drawn), np.concatenate(without), level)


def _corrected_quantiles(
    value: FloatArray, drawn: FloatArray, without: FloatArray, level: float
) -> tuple[FloatArray, FloatArray]:
    """Ends of the interval from value (m,), drawn statistics (samples, m) and leave-one-out statistics (persons, m)."""
    checked_level(level)
    low, high = np.full(value.shape, np.nan), np.full(value.shape, np.nan)
    for j in range(len(value)):
        known = drawn[np.isfinite(drawn[:, j]), j]
        if not np.isfinite(value[j]) or len(known) < (1.0 - MOST_LOST) * len(drawn):
            continue
        if np.ptp(known) == 0.0:  # every sample gives the same: the data tell nothing of the spread
            continue
        below = np.mean(known < value[j]) + 0.5 * np.mean(known == value[j])
        bias = norm.ppf(np.clip(below, 1.0 / len(known), 1.0 - 1.0 / len(known)))
        left = without[np.isfinite(without[:, j]), j]
        off = left.mean() - left if left.size else np.zeros(1)
        spread = np.sum(off**2) ** 1.5
        skew = np.sum(off**3) / (6.0 * spread) if spread > 0.0 else 0.0
        z = bias + norm.ppf([0.5 - level / 2.0, 0.5 + level / 2.0])
        low[j], high[j] = np.quantile(known, norm.cdf(bias + z / (1.0 - skew * z)))
    return low, high


def ratio_interval(
    top: npt.ArrayLike,
    bottom: npt.ArrayLike,
    person: IntArray,
    level: float,
    *,
    logarithm: bool = False,
    squares: bool = False,
    samples: int = SAMPLES,
    seed: int = SEED,
) -> tuple[float, float]:
    """Interval of ``sum(top) / sum(bottom)``, such as a mean over the feet of persons, by the studentised bootstrap.

    Every sample gives its ratio r* and the standard error of it; the quantiles of (r* - r) / se* take the place of
    those of t (Efron and Tibshirani 1993, "An Introduction to the Bootstrap", chapter 12; from memory). The standard
    error is that of a ratio of sums over persons, ``sqrt(p / (p - 1) * sum((T_g - r B_g)^2)) / sum(B)``.

    Parameters
    ----------
    top, bottom : array_like, shape (n,)
    person : ndarray of int, shape (n,)
    logarithm : bool
        Work with the logarithm of the ratio; for what is positive and skewed.
    squares : bool
        The top holds squares or differences of squares: quantiles are widened for few persons, see :func:`widening`.

    Returns
    -------
    low, high : float
        ``nan`` below ``FEWEST`` persons, or without spread.

    Examples
    --------
    >>> low, high = ratio_interval(np.arange(20.0), np.ones(20), np.arange(20), 0.95)
    >>> bool(5.5 < low < 9.5 < high < 13.0)
    True
    """
    checked_level(level)
    rows = np.stack([np.asarray(top, dtype=np.float64), np.asarray(bottom, dtype=np.float64)], axis=1)
    sums = person_sums(rows, person)
    persons = len(sums)
    if persons < FEWEST or sums[:, 1].sum() <= 0.0:
        return np.nan, np.nan
    ratio = sums[:, 0].sum() / sums[:, 1].sum()
    # Residuals about the ratio keep the squares small; r* = ratio + residual / bottom.
    residual, below = sums[:, 0] - ratio * sums[:, 1], sums[:, 1]
    parts = np.stack([residual, below, residual**2, residual * below, below**2], axis=1)
    total = np.concatenate([counts @ parts for counts in draws(persons, samples, seed)])
    with np.errstate(invalid="ignore", divide="ignore"):
        shift, error = _shift_and_error(total, persons)
        own_error = float(_shift_and_error(parts.sum(axis=0)[None], persons)[1][0])
        if own_error <= 1e-12 * max(abs(ratio), 1e-300):
            return np.nan, np.nan
        if logarithm:
            if ratio <= 0.0:
                return np.nan, np.nan
            pivot = np.log1p(shift / ratio) / (error / (ratio + shift))
            own_error /= ratio
        else:
            pivot = shift / error
    known = pivot[np.isfinite(pivot)]
    if len(known) < (1.0 - MOST_LOST) * samples:
        return np.nan, np.nan
    upper, lower = np.quantile(known, [0.5 + level / 2.0, 0.5 - level / 2.0])
    if squares:
        upper, lower = widening(persons, level) * np.array([upper, lower])
    if logarithm:
        return float(ratio * np.exp(-upper * own_error)), float(ratio * np.exp(-lower * own_error))
    return float(ratio - upper * own_error), float(ratio - lower * own_error)


def widening(persons: int, level: float) -> float:
    """By how much quantiles of a bootstrap of squares are stretched: the quantile of t against that of the normal.

    A bootstrap knows no tail beyond its sample, so that its intervals of squares are too short where persons are few.
    That the ratio of t to normal makes up for it is known of percentile intervals (Hesterberg, The American
    Statistician 2015;69:371; from memory); that it does here is simulated (``simulated_coverage.py``).

    Examples
    --------
    >>> round(widening(10, 0.95), 3), round(widening(100, 0.95), 3)
    (1.154, 1.012)
    """
    return t_quantile(level, persons - 1) / float(norm.ppf(0.5 + level / 2.0))


def _shift_and_error(total: FloatArray, persons: int) -> tuple[FloatArray, FloatArray]:
    residual, below, residual2, cross, below2 = total.T
    shift = residual / below
    squares = np.maximum(residual2 - 2.0 * shift * cross + shift**2 * below2, 0.0)
    return shift, np.sqrt(persons / (persons - 1.0) * squares) / below


def ratio_error(top: npt.ArrayLike, bottom: npt.ArrayLike, person: IntArray) -> float:
    """Standard error of ``sum(top) / sum(bottom)`` over persons, by linearisation, as for :func:`ratio_interval`.

    Parameters
    ----------
    top, bottom : array_like, shape (n,)
    person : ndarray of int, shape (n,)
        0.. without gaps.

    Returns
    -------
    float
        ``nan`` below two persons, or where the bottom does not sum to more than nought.

    Examples
    --------
    >>> round(ratio_error([1.0, 2.0, 3.0, 4.0], np.ones(4), np.arange(4)), 4)
    0.6455
    """
    sums = person_sums(np.stack([np.asarray(top, float), np.asarray(bottom, float)], axis=1), person)
    persons, bottoms = len(sums), sums[:, 1].sum() if len(sums) else 0.0
    if persons < 2 or bottoms <= 0.0:
        return float("nan")
    residual = sums[:, 0] - sums[:, 0].sum() / bottoms * sums[:, 1]
    return float(np.sqrt(persons / (persons - 1.0) * np.sum(residual**2)) / bottoms)


def t_quantile(level: float, degrees: float) -> float:
    """Two-sided quantile of t.

    Examples
    --------
    >>> round(t_quantile(0.95, 16), 2)
    2.12
    """
    return float(t.ppf(0.5 + level / 2.0, degrees))

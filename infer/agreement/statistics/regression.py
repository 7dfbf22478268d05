"""Lines between two methods that both err: Deming, and Passing and Bablok.

Ordinary least squares takes x as free of error and so draws the line too flat. A slope other than 1 is a difference
that grows with size; an intercept other than 0 a difference that stays.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.stats import kendalltau, norm

from raysplay.infer.agreement.statistics.cluster_bootstrap import FEWEST, person_sums, t_quantile
from raysplay.infer.agreement.statistics.estimate import Basis, Estimate
from raysplay.infer.agreement.statistics.inputs import FloatArray, IntArray, all_equal, checked_level, complete

DEMING = Basis(
    "jackknife over films, t interval",
    "independent films; a straight line; errors of both methods with constant variances in the ratio given",
    "Linnet, Clinical Chemistry 1993;39:424",
)
DEMING_CLUSTERED = Basis(
    "jackknife over persons, t interval",
    "independent persons; a straight line; errors of both methods with constant variances in the ratio given",
    "Linnet, Clinical Chemistry 1993;39:424",
)
PASSING = Basis(
    "ranks of the shifted slopes",
    "independent films; a straight line with positive slope; errors of both methods alike in kind",
    "Passing and Bablok, Journal of Clinical Chemistry and Clinical Biochemistry 1983;21:709",
)
PASSING_CLUSTERED = Basis(
    "ranks of the shifted slopes, widened by the variance of their score over persons (derived here)",
    "independent persons; a straight line with positive slope; errors of both methods alike in kind",
    "Passing and Bablok, Journal of Clinical Chemistry and Clinical Biochemistry 1983;21:709",
)


@dataclass(frozen=True)
class Line:
    """``y = intercept + slope x``."""

    slope: Estimate
    intercept: Estimate


def deming(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    ratio: float = 1.0,
    groups: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> Line:
    """The line that is nearest to the pairs when both methods err.

    With sums of squares u (x), q (y) and p (products) about the means and ``ratio`` r::

        slope = (q - r u + sqrt((q - r u)^2 + 4 r p^2)) / (2 p)

    Parameters
    ----------
    x, y : array_like, shape (n,)
    ratio : float
        Variance of the error of y over that of x; 1 draws the orthogonal line. From repeated reads it is the ratio of
        the squared within-subject standard deviations.
    groups : array_like of int, shape (n,), optional
        Person of each film.
    level : float

    Returns
    -------
    Line
        ``nan`` below three films, or where x or y does not vary or the two are not related.

    Raises
    ------
    ValueError
        If the ratio is not positive.

    Examples
    --------
    >>> line = deming([1.0, 2.0, 3.0, 4.0, 5.0], [1.1, 2.1, 2.9, 4.2, 5.2])
    >>> round(line.slope.value, 3), round(line.intercept.value, 3)
    (1.033, 0.002)
    """
    checked_level(level)
    if not (np.isfinite(ratio) and ratio > 0.0):
        raise ValueError(f"ratio must be above zero, not {ratio}")
    (a, b), person, _ = complete(groups, x=x, y=y)
    n = a.size
    persons = int(person.max()) + 1 if n else 0
    basis = DEMING if persons == n else DEMING_CLUSTERED
    why = _unfit(a, b)
    if why:
        return Line(basis.unknown(why, n, level), basis.unknown(why, n, level))
    ca, cb = float(a.mean()), float(b.mean())
    rows = np.stack([a - ca, b - cb, (a - ca) ** 2, (b - cb) ** 2, (a - ca) * (b - cb), np.ones(n)], axis=1)
    sums = person_sums(rows, person)
    value = _deming_line(sums.sum(axis=0), ratio, ca, cb)
    if not np.isfinite(value).all():
        why = "x and y are not related: no line is nearer than another"
        return Line(basis.unknown(why, n, level), basis.unknown(why, n, level))
    least = 3 if basis is DEMING else FEWEST
    if persons < least:
        why = f"{persons} persons; an interval needs {least}"
        return Line(*(basis.estimate(one, np.nan, np.nan, n, level, why) for one in value))
    without = _deming_line(sums.sum(axis=0) - sums, ratio, ca, cb)
    error = np.sqrt((persons - 1.0) / persons * np.sum((without - without.mean(axis=0)) ** 2, axis=0))
    if not np.all(error > 1e-12):
        why = "all pairs lie on one line: they tell nothing of the spread"
        return Line(*(basis.estimate(one, np.nan, np.nan, n, level, why) for one in value))
    half = t_quantile(level, persons - 2) * error
    slope, intercept = (basis.estimate(v, v - h, v + h, n, level) for v, h in zip(value, half, strict=True))
    return Line(slope, intercept)


def _deming_line(sums: FloatArray, ratio: float, ca: float, cb: float) -> FloatArray:
    """Slope and intercept, shape (..., 2), from sums about (ca, cb)."""
    x, y, xx, yy, xy, n = (sums[..., i] for i in range(6))
    u, q, p = xx - x**2 / n, yy - y**2 / n, xy - x * y / n
    lean = q - ratio * u
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (lean + np.sqrt(lean**2 + 4.0 * ratio * p**2)) / (2.0 * p)
        slope = np.where(np.abs(p) > 1e-12 * np.sqrt(u * q), slope, np.nan)
    return np.stack([slope, cb + y / n - slope * (ca + x / n)], axis=-1)


def passing_bablok(
    x: npt.ArrayLike, y: npt.ArrayLike, groups: npt.ArrayLike | None = None, level: float = 0.95
) -> Line:
    """The line through the shifted median of all slopes between two films; no outlier can bend it.

    Of all slopes S between two films, identical pairs and slopes of exactly -1 are left out; two films with equal x
    and different y count as plus or minus infinity. With K slopes below -1, the slope is the median of the N sorted
    slopes moved up by K, the intercept the median of ``y - slope x``. The interval takes the slopes at ranks
    ``K + M`` and ``K + N - M + 1``, ``M = round((N - C) / 2)``, ``C = z sqrt(n (n - 1) (2 n + 5) / 18)``.

    Parameters
    ----------
    x, y : array_like, shape (n,)
    groups : array_like of int, shape (n,), optional
        Person of each film: C is then multiplied by the square root of the design effect of the score, at least 1.
    level : float

    Returns
    -------
    Line
        ``nan`` below three films, where x or y does not vary, or where the two do not rise together (Kendall's tau not
        above zero at the given level), as the method demands; an end that lies beyond all slopes is ``nan``.

    Examples
    --------
    >>> line = passing_bablok([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0], [1.1, 2.1, 2.9, 4.2, 5.2, 5.9, 7.1])
    >>> round(line.slope.value, 3), round(line.intercept.value, 3)
    (1.0, 0.1)
    """
    checked_level(level)
    (a, b), person, _ = complete(groups, x=x, y=y)
    n = a.size
    repeated = n > 0 and int(person.max()) + 1 < n
    basis = PASSING_CLUSTERED if repeated else PASSING
    why = _unfit(a, b)
    if not why:
        tau = kendalltau(a, b)
        if not (tau.statistic > 0.0 and tau.pvalue < 1.0 - level):
            why = "x and y do not clearly rise together, as the method demands"
    if why:
        return Line(basis.unknown(why, n, level), basis.unknown(why, n, level))
    slopes = np.sort(_slopes(a, b))
    count, shift = slopes.size, int(np.searchsorted(slopes, -1.0))
    middle = (count - 1) / 2.0 + shift
    at = [int(np.floor(middle)), int(np.ceil(middle))]
    slope = float(np.mean(slopes[at])) if at[1] < count else np.nan
    if not np.isfinite(slope):
        why = "more than half of the slopes are vertical"
        return Line(basis.unknown(why, n, level), basis.unknown(why, n, level))
    reach = float(norm.ppf(0.5 + level / 2.0)) * np.sqrt(n * (n - 1.0) * (2.0 * n + 5.0) / 18.0)
    if repeated:
        reach *= np.sqrt(_design_effect(a, b, slope, person))
    rank = int(np.floor((count - reach) / 2.0 + 0.5))
    first, last = rank - 1 + shift, count - rank + shift
    low = float(slopes[first]) if 0 <= first < count else np.nan
    high = float(slopes[last]) if 0 <= last < count else np.nan
    why = "" if np.isfinite(low) and np.isfinite(high) else "too few films: the interval reaches beyond all slopes"
    low, high = (end if np.isfinite(end) else np.nan for end in (low, high))
    intercept = float(np.median(b - slope * a))
    least, most = (float(np.median(b - one * a)) for one in (high, low))
    below, above = _median_reach(b - slope * a, person if repeated else np.arange(n), level)
    least, most = (
        intercept - float(np.hypot(intercept - least, below)),
        intercept + float(np.hypot(most - intercept, above)),
    )
    return Line(
        basis.estimate(slope, low, high, n, level, why),
        replace(
            basis.estimate(intercept, least, most, n, level, why),
            method=f"{basis.method}; with the interval of the residuals' median (derived here)",
        ),
    )


def _median_reach(residuals: FloatArray, person: IntArray, level: float) -> tuple[float, float]:
    """How far the sign interval of a median reaches below and above it; persons widen it by their design effect.

    The published interval of the intercept moves with the slope alone, as if the median of the residuals were known; it
    then holds 92 to 93 % of 95 %.
    """
    middle, n = float(np.median(residuals)), residuals.size
    sign = np.sign(residuals - middle)
    effect = float(np.sum(np.bincount(person, weights=sign) ** 2)) / max(float(np.sum(sign**2)), 1.0)
    half = 0.5 * float(norm.ppf(0.5 + level / 2.0)) * np.sqrt(max(1.0, effect) / n)
    low, high = np.quantile(residuals, [max(0.0, 0.5 - half), min(1.0, 0.5 + half)])
    return middle - float(low), float(high) - middle


def _slopes(a: FloatArray, b: FloatArray) -> FloatArray:
    n = a.size
    dx, dy = np.empty(n * (n - 1) // 2), np.empty(n * (n - 1) // 2)
    start = 0
    for i in range(n - 1):  # by rows: index arrays of all pairs would take longer than the slopes
        end = start + n - 1 - i
        np.subtract(a[i], a[i + 1 :], out=dx[start:end])
        np.subtract(b[i], b[i + 1 :], out=dy[start:end])
        start = end
    differ = (dx != 0.0) | (dy != 0.0)
    with np.errstate(divide="ignore"):
        slopes: FloatArray = dy[differ] / dx[differ]  # equal readings differ by +0.0, so that the sign is that of dy
    # A slope of -1 between readings of one decimal is seldom exactly -1 in a computer.
    kept: FloatArray = slopes[np.abs(slopes + 1.0) > 1e-9]
    return kept


def _design_effect(a: FloatArray, b: FloatArray, slope: float, person: IntArray) -> float:
    """Variance of the score of the slopes over persons against that over films, at least 1.

    The score of a film is the number of slopes to other films above the line less that below, slopes under -1 counted
    as above; the sum of squared scores is the variance of their total to first order.
    """

    def above(values: FloatArray) -> npt.NDArray[np.int8]:
        found: npt.NDArray[np.int8] = (values[:, None] > values).astype(np.int8) - (values[:, None] < values)
        return found

    rise, over = above(a), above(b - slope * a)
    side = over * rise
    side[rise == 0] = np.abs(over[rise == 0])
    side[above(a + b) * rise < 0] = 1  # dy / dx < -1
    score = side.sum(axis=1, dtype=np.float64)
    score = score - score.mean()
    films = float(np.sum(score**2))
    return max(1.0, float(np.sum(np.bincount(person, weights=score) ** 2)) / films) if films > 0.0 else 1.0


def _unfit(a: FloatArray, b: FloatArray) -> str:
    if a.size < 3:
        return f"{a.size} pair(s); at least three are needed"
    if all_equal(a) or all_equal(b):
        return "one method gives the same number everywhere"
    return ""

"""The six intraclass correlations of Shrout and Fleiss, and which of them to report.

Names follow the paper: the first number is the case (1: every film its own readers; 2: the same readers, a sample of
readers; 3: these readers only), the second says whether the correlation is that of one reading or of the mean of k.
An intraclass correlation depends on how different the films are; an error in degrees does not. Report both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.stats import f

from raysplay.infer.agreement.statistics.cluster_bootstrap import FEWEST, sums_interval
from raysplay.infer.agreement.statistics.estimate import Basis, Estimate
from raysplay.infer.agreement.statistics.inputs import FloatArray, checked_level, clusters, numbers
from raysplay.infer.agreement.statistics.mean_squares import MeanSquares, mean_squares, table_sums

NAMES = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")

SOURCE = "Shrout and Fleiss, Psychological Bulletin 1979;86:420"
PIVOTS = "; interval: Cappelleri and Ting, Statistics in Medicine 2003;22:1861 (from memory)"
DRAWN, DRAWN_SEED = 20_000, 1979
"""Draws of the generalised pivots, the same for tables of one size: the same table gives the same interval."""

ASSUMPTIONS = (
    "films drawn at random, each read by its own readers; effects near normal",
    "films and readers drawn at random, every reader reads every film; effects near normal",
    "films drawn at random, read by these readers and no others; effects near normal",
)


@dataclass(frozen=True)
class Design:
    """What decides which correlation to report.

    Attributes
    ----------
    crossed : bool
        Every reader read every film.
    readers_are_a_sample : bool
        The result shall hold for other readers too.
    averaged : bool
        In use, the mean of all these readings is taken, not a single one.
    """

    crossed: bool = True
    readers_are_a_sample: bool = True
    averaged: bool = False


@dataclass(frozen=True)
class Recommendation:
    """Name of the correlation to report, and why."""

    name: str
    why: str


def recommended(design: Design) -> Recommendation:
    """Which of the six to report.

    Numbers of a film are compared with thresholds, so a reader who always reads higher is in error: absolute
    agreement. ICC(3) forgives such a reader, and is named only where no other reader will ever read.

    Examples
    --------
    >>> recommended(Design()).name
    'ICC(2,1)'
    >>> recommended(Design(crossed=False, averaged=True)).name
    'ICC(1,k)'
    """
    if not design.crossed:
        case, why = 1, "films were read by different readers, so reader and error cannot be told apart"
    elif design.readers_are_a_sample:
        case, why = 2, "the same readers read every film and stand for others: absolute agreement, readers random"
    else:
        case, why = 3, "these readers and no others: consistency, a constant difference between readers is not counted"
    one = "k" if design.averaged else "1"
    use = "the mean of all readings is used" if design.averaged else "a single reading is used"
    return Recommendation(f"ICC({case},{one})", f"{why}; {use} (after Shrout and Fleiss 1979)")


def intraclass(table: npt.ArrayLike, groups: npt.ArrayLike | None = None, level: float = 0.95) -> dict[str, Estimate]:
    """All six correlations of a table of films by readers.

    With mean squares BMS (films), WMS (within), JMS (readers), EMS (residual), n films and k readers::

        ICC(1,1) = (BMS - WMS) / (BMS + (k - 1) WMS)
        ICC(2,1) = (BMS - EMS) / (BMS + (k - 1) EMS + k (JMS - EMS) / n)
        ICC(3,1) = (BMS - EMS) / (BMS + (k - 1) EMS)
        ICC(1,k) = (BMS - WMS) / BMS
        ICC(2,k) = (BMS - EMS) / (BMS + (JMS - EMS) / n)
        ICC(3,k) = (BMS - EMS) / BMS

    Parameters
    ----------
    table : array_like, shape (films, readers)
        ``nan`` for a missing read; a film that misses any read is left out, and the assumption says how many.
    groups : array_like of int, shape (films,), optional
        Person of each film: intervals by bootstrap over persons, since those by F take films as independent. They
        resample persons, not readers; with few readers those of ICC(2) are too narrow for other readers.
    level : float

    Returns
    -------
    dict of str to Estimate
        By the names in ``NAMES``; a value may be negative. ``nan`` below two films or readers, or where all reads are
        equal.

    Raises
    ------
    ValueError
        If the table is not two-dimensional or holds what is not a number.

    Examples
    --------
    >>> ratings = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    >>> [f"{name} {one.value:.2f}" for name, one in intraclass(ratings).items()]
    ['ICC(1,1) 0.17', 'ICC(2,1) 0.29', 'ICC(3,1) 0.71', 'ICC(1,k) 0.44', 'ICC(2,k) 0.62', 'ICC(3,k) 0.91']
    """
    checked_level(level)
    given = numbers(table, "table", 2)
    whole = np.isfinite(given).all(axis=1)
    person = np.unique(clusters(groups, len(given))[whole], return_inverse=True)[1].reshape(-1)
    reads = given[whole]
    n, k = reads.shape
    left_out = len(given) - n
    repeated = groups is not None and person.size > 0 and int(person.max()) + 1 < n
    bases = _bases(repeated, left_out)
    why = ""
    if k < 2:
        why = "one reader has nobody to agree with"
    elif n < 2:
        why = f"{n} film(s) read by all {k} readers; at least two are needed"
    elif np.ptp(reads) == 0.0:
        why = "all reads are equal"
    if why:
        return {name: basis.unknown(why, n, level) for name, basis in zip(NAMES, bases, strict=True)}
    sums = table_sums(reads)
    squares = mean_squares(sums.sum(axis=0))
    values = correlations(squares)
    if repeated:
        low, high = sums_interval(
            sums,
            lambda total: correlations(mean_squares(total)),
            person,
            level,
            forward=lambda value: -np.log1p(-value),
            inverse=lambda scaled: -np.expm1(-scaled),
        )
        persons = int(person.max()) + 1
        missing = f"{persons} persons; a bootstrap needs {FEWEST}" if persons < FEWEST else ""
    else:
        low, high = reported_intervals(squares, level)
        missing = ""
    return {
        name: basis.estimate(values[i], low[i], high[i], n, level, missing)
        for i, (name, basis) in enumerate(zip(NAMES, bases, strict=True))
    }


def correlations(squares: MeanSquares) -> FloatArray:
    """The six values in the order of ``NAMES``, shape (..., 6); ``nan`` where films do not differ.

    Examples
    --------
    >>> square = MeanSquares(*(np.array(one) for one in (11.2417, 6.2639, 32.4861, 1.0194, 6.0)), 4)
    >>> correlations(square).round(3).tolist()
    [0.166, 0.29, 0.715, 0.443, 0.62, 0.909]
    """
    b, w, j, e, n, k = (
        squares.between,
        squares.within,
        squares.readers,
        squares.error,
        squares.films,
        squares.k,
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        found = np.stack(
            [
                (b - w) / (b + (k - 1) * w),
                (b - e) / (b + (k - 1) * e + k * (j - e) / n),
                (b - e) / (b + (k - 1) * e),
                (b - w) / b,
                (b - e) / (b + (j - e) / n),
                (b - e) / b,
            ],
            axis=-1,
        )
    return np.where(np.isfinite(found), found, np.nan)


def one_way_interval(squares: MeanSquares, level: float) -> tuple[FloatArray, FloatArray]:
    """Interval of ICC(1,1) by quantiles of F, shape (...,) each.

    Examples
    --------
    >>> square = MeanSquares(*(np.array(one) for one in (11.2417, 6.2639, 32.4861, 1.0194, 6.0)), 4)
    >>> [round(float(end), 2) for end in one_way_interval(square, 0.95)]
    [-0.13, 0.72]
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = squares.between / squares.within
    return _from_ratio(ratio, squares.films * (squares.k - 1), squares, level)


def consistency_interval(squares: MeanSquares, level: float) -> tuple[FloatArray, FloatArray]:
    """Interval of ICC(3,1) by quantiles of F, shape (...,) each.

    Examples
    --------
    >>> square = MeanSquares(*(np.array(one) for one in (11.2417, 6.2639, 32.4861, 1.0194, 6.0)), 4)
    >>> [round(float(end), 2) for end in consistency_interval(square, 0.95)]
    [0.34, 0.95]
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = squares.between / squares.error
    return _from_ratio(ratio, (squares.films - 1) * (squares.k - 1), squares, level)


def agreement_interval(squares: MeanSquares, level: float) -> tuple[FloatArray, FloatArray]:
    """Interval of ICC(2,1) by quantiles of F with Satterthwaite's degrees of freedom, shape (...,) each.

    An approximation: it holds 93.5 to 94.5 % where it promises 95 % (20 to 50 films, 3 to 5 readers; simulated here).

    Examples
    --------
    >>> square = MeanSquares(*(np.array(one) for one in (11.2417, 6.2639, 32.4861, 1.0194, 6.0)), 4)
    >>> [round(float(end), 2) for end in agreement_interval(square, 0.95)]
    [0.02, 0.76]
    """
    upper = 0.5 + level / 2.0
    b, j, e, n, k = squares.between, squares.readers, squares.error, squares.films, squares.k
    with np.errstate(invalid="ignore", divide="ignore"):
        rho = (b - e) / (b + (k - 1) * e + k * (j - e) / n)
        judges, films = k * rho * j / e, n * (1 + (k - 1) * rho) - k * rho
        degrees = (k - 1) * (n - 1) * (judges + films) ** 2 / ((n - 1) * judges**2 + films**2)
        below, above = f.ppf(upper, n - 1, degrees), f.ppf(upper, degrees, n - 1)
        rest = k * j + (k * n - k - n) * e
        return n * (b - below * e) / (below * rest + n * b), n * (above * b - e) / (rest + n * above * b)


@lru_cache(maxsize=32)
def _pivots(films: int, k: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    rng = np.random.default_rng(DRAWN_SEED)
    degrees = films - 1, k - 1, (films - 1) * (k - 1)
    between, readers, error = (rng.chisquare(one, DRAWN) / one for one in degrees)
    return between, readers, error


def generalised_interval(squares: MeanSquares, level: float) -> tuple[float, float]:
    """Interval of ICC(2,1) of one table, by generalised pivots.

    Each mean square over a drawn chi-squared over its degrees of freedom is a draw of its expectation; the quantiles of
    the correlation of such draws are the ends (Weerahandi, Journal of the American Statistical Association 1993;88:899;
    for this correlation Cappelleri and Ting, Statistics in Medicine 2003;22:1861; both from memory). Satterthwaite's
    (:func:`agreement_interval`), which other programs print, is too short where readers differ: 93 to 94 % of 95 %.

    Examples
    --------
    >>> square = MeanSquares(*(np.array(one) for one in (11.2417, 6.2639, 32.4861, 1.0194, 6.0)), 4)
    >>> low, high = generalised_interval(square, 0.95)
    >>> bool(0.0 < low < 0.1), bool(0.7 < high < 0.8)
    (True, True)
    """
    n, k = float(squares.films), squares.k
    drawn = _pivots(int(n), k)
    with np.errstate(invalid="ignore", divide="ignore"):
        b, j, e = (
            float(mean) / one
            for mean, one in zip((squares.between, squares.readers, squares.error), drawn, strict=True)
        )
        # Untruncated, a draw without variance of readers would count against the films.
        readers = np.maximum(j - e, 0.0)
        rho = (b - e) / (b + (k - 1) * e + k * readers / n)
    if not np.isfinite(rho).all():
        return float("nan"), float("nan")
    low, high = np.quantile(rho, [0.5 - level / 2.0, 0.5 + level / 2.0])
    return float(low), float(high)


def f_intervals(squares: MeanSquares, level: float) -> tuple[FloatArray, FloatArray]:
    """Ends of the intervals of all six, shape (..., 6); those of a mean of k follow by Spearman and Brown.

    Examples
    --------
    >>> square = MeanSquares(*(np.array(one) for one in (11.2417, 6.2639, 32.4861, 1.0194, 6.0)), 4)
    >>> low, high = f_intervals(square, 0.95)
    >>> low.round(2).tolist(), high.round(2).tolist()
    ([-0.13, 0.02, 0.34, -0.88, 0.07, 0.68], [0.72, 0.76, 0.95, 0.91, 0.93, 0.99])
    """
    return _with_means(
        [kind(squares, level) for kind in (one_way_interval, agreement_interval, consistency_interval)], squares
    )


def reported_intervals(squares: MeanSquares, level: float) -> tuple[FloatArray, FloatArray]:
    """As :func:`f_intervals`, but those of ICC(2) by :func:`generalised_interval`, which hold what they promise."""
    agreement = tuple(np.asarray(end) for end in generalised_interval(squares, level))
    first, last = one_way_interval(squares, level), consistency_interval(squares, level)
    return _with_means([first, (agreement[0], agreement[1]), last], squares)


def _with_means(found: Sequence[tuple[FloatArray, FloatArray]], squares: MeanSquares) -> tuple[FloatArray, FloatArray]:
    """Ends of the six from those of the three of a single read."""
    ends = []
    for i in (0, 1):
        single = np.stack([pair[i] for pair in found], axis=-1)
        below = 1.0 + (squares.k - 1) * single
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(below > 0.0, squares.k * single / below, np.nan)
        ends.append(np.concatenate([single, mean], axis=-1))
    known = np.isfinite(ends[0]) & np.isfinite(ends[1])
    return np.where(known, ends[0], np.nan), np.where(known, ends[1], np.nan)


def _from_ratio(
    ratio: FloatArray, degrees: FloatArray, squares: MeanSquares, level: float
) -> tuple[FloatArray, FloatArray]:
    upper, films, k = 0.5 + level / 2.0, squares.films - 1, squares.k
    with np.errstate(invalid="ignore"):
        least = ratio / f.ppf(upper, films, degrees)
        most = ratio * f.ppf(upper, degrees, films)
        return (least - 1) / (least + k - 1), (most - 1) / (most + k - 1)


def _bases(repeated: bool, left_out: int) -> tuple[Basis, ...]:
    note = f"; {left_out} film(s) that not all readers read are left out" if left_out else ""
    made = "studentised bootstrap over persons, readers kept" if repeated else "interval by F"
    if repeated:
        note += "; independent persons"
    return tuple(
        Basis(
            made if repeated or i % 3 != 1 else "interval by generalised pivots",
            ASSUMPTIONS[i % 3] + note,
            SOURCE if repeated or i % 3 != 1 else SOURCE + PIVOTS,
        )
        for i in range(6)
    )

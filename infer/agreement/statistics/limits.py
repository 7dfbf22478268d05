"""Limits of agreement: between which differences of two methods lie, with intervals of the limits themselves.

With mean m and standard deviation s of the differences, the limits are ``m - z s`` and ``m + z s``; z is 1.96 for 95 %
of differences. The limits are estimates as well: ``n`` films leave each uncertain by about ``sqrt(3 s^2 / n)``
(Bland and Altman, Lancet 1986;i:307).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2, nct, norm

from raysplay.infer.agreement.statistics.bias import NO_FILM, NO_SPREAD
from raysplay.infer.agreement.statistics.cluster_bootstrap import FEWEST, person_sums, t_quantile
from raysplay.infer.agreement.statistics.estimate import Basis, Estimate
from raysplay.infer.agreement.statistics.inputs import (
    FloatArray,
    all_equal,
    checked_level,
    clusters,
    complete,
    numbers,
)

Method = Literal["exact", "mover", "bland_altman"]

NORMAL = "independent films; differences near normal with the same spread at every size"
BASES = {
    "exact": Basis(
        "exact interval of each limit by the noncentral t distribution", NORMAL, "Carkeet 2015 (from memory)"
    ),
    "mover": Basis(
        "interval of each limit by recovery of variance estimates (MOVER)",
        NORMAL,
        "Zou, Statistical Methods in Medical Research 2013;22:630",
    ),
    "bland_altman": Basis(
        "t interval of each limit with standard error sqrt(3 s^2 / n)", NORMAL, "Bland and Altman, Lancet 1986;i:307"
    ),
}
VARYING = Basis(
    "repeated measures, true value free to vary; interval by recovery of variance estimates (MOVER)",
    "independent persons; differences of a person share a part, both parts near normal",
    "Bland and Altman, Statistical Methods in Medical Research 1999;8:135; Zou, the same journal 2013;22:630",
)
CONSTANT = Basis(
    "repeated measures, true value constant; interval by recovery of variance estimates (MOVER)",
    "independent films, read again without a change; errors near normal",
    "Bland and Altman, Statistical Methods in Medical Research 1999;8:135; Zou, the same journal 2013;22:630",
)
REGRESSION = Basis(
    "regression of the differences and of their residuals' size on the mean; t interval with robust standard error",
    "bias and spread change along straight lines with the size; independent films or persons",
    "Bland and Altman, Statistical Methods in Medical Research 1999;8:135",
)


@dataclass(frozen=True)
class Limits:
    """Bias, standard deviation of the differences, lower and upper limit, each with its interval."""

    bias: Estimate
    sd: Estimate
    lower: Estimate
    upper: Estimate


def _deviate(share: float) -> float:
    """Standard normal deviate within which a share lies, either way."""
    if not 0.0 < share < 1.0:
        raise ValueError(f"share must lie between 0 and 1, not {share}")
    return float(norm.ppf(0.5 + share / 2.0))


def limits_of_agreement(
    differences: npt.ArrayLike,
    groups: npt.ArrayLike | None = None,
    level: float = 0.95,
    *,
    share: float = 0.95,
    method: Method = "exact",
) -> Limits:
    """Limits of agreement from one difference a film.

    The exact interval: ``sqrt(n) (m - (mu + z sigma)) / s`` follows a noncentral t distribution with ``n - 1``
    degrees of freedom and noncentrality ``-z sqrt(n)``. Where a person has several films, ``limits_repeated`` answers.

    Parameters
    ----------
    differences : array_like, shape (n,)
    groups : array_like of int, shape (n,), optional
        Person of each film.
    level : float
        Of the intervals.
    share : float
        Of differences between the limits.
    method : {'exact', 'mover', 'bland_altman'}
        How the limits' intervals are made. The last is the one printed in 1986, too narrow below 50 films.

    Returns
    -------
    Limits
        In the unit of the differences; ``nan`` below two films or where all differences are equal.

    Raises
    ------
    ValueError
        If a difference is infinite or text, or method or share is none.

    Examples
    --------
    >>> found = limits_of_agreement([1.0, -2.0, 0.5, 3.0, -1.5, 0.0])
    >>> round(found.lower.value, 2), round(found.upper.value, 2)
    (-3.38, 3.71)
    >>> round(found.upper.low, 2), round(found.upper.high, 2)
    (1.96, 9.4)
    """
    checked_level(level)
    if method not in BASES:
        raise ValueError(f"method must be one of {', '.join(BASES)}, not {method}")
    (d,), person, _ = complete(groups, differences=differences)
    if person.size and int(person.max()) + 1 < person.size:
        return limits_repeated(d, person, level, share=share)
    basis, n, z = BASES[method], d.size, _deviate(share)
    if n < 2 or all_equal(d):
        return _without_spread(basis, d, level)
    mean, sd = float(d.mean()), float(d.std(ddof=1))
    half = t_quantile(level, n - 1) * sd / np.sqrt(n)
    tails = np.array([0.5 - level / 2.0, 0.5 + level / 2.0])
    sd_low, sd_high = sd * np.sqrt((n - 1) / chi2.ppf(tails[::-1], n - 1))
    if method == "exact":
        inner, outer = nct.ppf(tails, n - 1, z * np.sqrt(n)) * sd / np.sqrt(n) - z * sd
    elif method == "mover":
        inner, outer = _mover(half, z, sd, sd_low, sd_high)
    else:
        outer = t_quantile(level, n - 1) * np.sqrt(3.0 / n) * sd
        inner = -outer
    return Limits(
        basis.estimate(mean, mean - half, mean + half, n, level),
        basis.estimate(sd, sd_low, sd_high, n, level),
        basis.estimate(mean - z * sd, mean - z * sd - outer, mean - z * sd - inner, n, level),
        basis.estimate(mean + z * sd, mean + z * sd + inner, mean + z * sd + outer, n, level),
    )


def limits_repeated(
    differences: npt.ArrayLike, subjects: npt.ArrayLike, level: float = 0.95, *, share: float = 0.95
) -> Limits:
    """Limits for one difference, where persons give several and the true value may vary between them.

    The variance of a single difference is that of the persons' means and that within persons,
    ``s^2 = s_m^2 + (1 - 1/h) s_w^2`` with h the harmonic mean of the numbers of differences a person; with equal
    numbers this is the analysis of variance of Bland and Altman. The bias is the mean of the persons' means.

    Parameters
    ----------
    differences : array_like, shape (n,)
    subjects : array_like of int, shape (n,)
        Person of each difference; unequal numbers are allowed.
    level, share
        As for ``limits_of_agreement``.

    Returns
    -------
    Limits
        ``n`` counts the differences; ``nan`` below two persons, or where no person has two.

    Examples
    --------
    >>> found = limits_repeated([1.0, 2.0, -1.0, 0.0, 3.0, 3.5], [1, 1, 2, 2, 3, 3])
    >>> round(found.bias.value, 2), round(found.sd.value, 2), round(found.upper.value, 2)
    (1.42, 1.93, 5.19)
    """
    checked_level(level)
    (d,), person, _ = complete(subjects, differences=differences)
    z = _deviate(share)
    if d.size < 2 or all_equal(d):
        return _without_spread(VARYING, d, level)
    count = np.bincount(person).astype(np.float64)
    mean = np.bincount(person, weights=d) / count
    persons, within = len(count), int(d.size - len(count))
    if persons < 2:
        return _unknown(VARYING, "all films are of one person", d.size, level)
    if within < 1:
        return _unknown(VARYING, "no person has two differences; take the plain limits", d.size, level)
    square_within = float(np.sum((d - mean[person]) ** 2)) / within
    extra = [((1.0 - float(np.mean(1.0 / count))) * square_within, within)]
    return _from_components(VARYING, mean, extra, int(d.size), level, z)


def limits_replicated(
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    level: float = 0.95,
    *,
    share: float = 0.95,
    groups: npt.ArrayLike | None = None,
) -> Limits:
    """Limits for single reads, where each method read each film several times and the true value is constant.

    Averages hide a part of the error, so it is added again: ``s^2 = s_D^2 + (1 - 1/h_x) s_x^2 + (1 - 1/h_y) s_y^2``
    with s_D^2 the variance of the differences of the films' means, s_x^2 and s_y^2 the variances within films, h the
    harmonic means of the numbers of reads.

    Parameters
    ----------
    first, second : array_like, shape (films, reads)
        ``nan`` for a read that is missing; the two may have different numbers of reads. A method that gives the same
        number each time has one column.
    level, share
        As for ``limits_of_agreement``.
    groups : array_like of int, shape (films,), optional
        Person of each film: s_D^2 is then split into a part of persons and one within them, as in ``limits_repeated``.

    Returns
    -------
    Limits
        First minus second; ``n`` counts the films read by both.

    Raises
    ------
    ValueError
        If the two have unequal numbers of films, one holds text or an infinite number, groups have another length, or
        the level does not lie between 0 and 1.

    Examples
    --------
    >>> found = limits_replicated([[1.0, 2.0], [4.0, 4.5], [7.0, 6.0]], [[1.5], [3.0], [6.5]])
    >>> round(found.bias.value, 3), round(found.sd.value, 3)
    (0.417, 0.842)
    """
    checked_level(level)
    x, y = numbers(first, "first", 2), numbers(second, "second", 2)
    if len(x) != len(y):
        raise ValueError(f"first and second must have the same films, not {len(x)} and {len(y)}")
    read = np.isfinite(x).any(axis=1) & np.isfinite(y).any(axis=1)
    person = np.unique(clusters(groups, len(x))[read], return_inverse=True)[1].reshape(-1)
    x, y = x[read], y[read]
    n, z = len(x), _deviate(share)
    if n == 0:
        return _unknown(CONSTANT, NO_FILM, 0, level)
    difference = np.nanmean(x, axis=1) - np.nanmean(y, axis=1)
    if n < 2 or all_equal(difference):
        return _without_spread(CONSTANT, difference, level)
    films = np.bincount(person).astype(np.float64)
    means, within = np.bincount(person, weights=difference) / films, n - len(films)
    if len(films) < 2:
        return _unknown(CONSTANT, "all films are of one person", n, level)
    extra = []
    if within > 0:
        squares = float(np.sum((difference - means[person]) ** 2))
        extra.append(((1.0 - float(np.mean(1.0 / films))) * squares / within, within))
    for reads in (x, y):
        count = np.isfinite(reads).sum(axis=1)
        degrees = int(np.sum(count - 1))
        if degrees > 0:
            squares = float(np.nansum((reads - np.nanmean(reads, axis=1, keepdims=True)) ** 2))
            extra.append(((1.0 - float(np.mean(1.0 / count))) * squares / degrees, degrees))
    return _from_components(CONSTANT, means, extra, n, level, z)


@dataclass(frozen=True)
class RegressionLimits:
    """Limits that change with size: ``bias = b0 + b1 size``, ``limits = bias -+ z sqrt(pi/2) (c0 + c1 size)``.

    Attributes
    ----------
    intercept, slope : Estimate
        b0 and b1.
    spread_intercept, spread_slope : Estimate
        c0 and c1, of the mean absolute residual.
    sizes : ndarray, shape (k,)
        Where the limits are given.
    bias, lower, upper : tuple of Estimate, length k
    """

    intercept: Estimate
    slope: Estimate
    spread_intercept: Estimate
    spread_slope: Estimate
    sizes: FloatArray
    bias: tuple[Estimate, ...]
    lower: tuple[Estimate, ...]
    upper: tuple[Estimate, ...]

    @property
    def spread_grows(self) -> bool:
        """Whether the interval of the spread's slope lies above zero: plain limits would mislead."""
        return bool(self.spread_slope.low > 0.0)


def limits_regression(
    differences: npt.ArrayLike,
    means: npt.ArrayLike,
    groups: npt.ArrayLike | None = None,
    level: float = 0.95,
    *,
    share: float = 0.95,
    sizes: npt.ArrayLike | None = None,
) -> RegressionLimits:
    """Limits of agreement where bias or spread changes with the size of what is measured.

    The differences are regressed on the means, then the sizes of the residuals on the means. The mean absolute value
    of a normal variable is ``sqrt(2/pi)`` standard deviations, so the limits are ``-+ 1.96 sqrt(pi/2) = 2.46`` times
    the second line.

    Parameters
    ----------
    differences, means : array_like, shape (n,)
        Of two methods; the means are of both, not of one.
    groups : array_like of int, shape (n,), optional
    level, share
        As for ``limits_of_agreement``.
    sizes : array_like, shape (k,), optional
        Where limits are wanted; left out, the smallest, middle and largest mean.

    Returns
    -------
    RegressionLimits
        ``nan`` at sizes where the second line is not positive, and of the whole below ``FEWEST`` films.

    Examples
    --------
    >>> mean = np.linspace(10.0, 50.0, 40)
    >>> found = limits_regression(np.resize([0.05, -0.05], 40) * mean, mean, sizes=[20.0, 40.0])
    >>> [round(one.value, 2) for one in found.upper]
    [2.48, 4.82]
    >>> found.spread_grows
    True
    """
    checked_level(level)
    (d, a), person, _ = complete(groups, differences=differences, means=means)
    z, n = _deviate(share), d.size
    given = [np.min(a), np.median(a), np.max(a)] if sizes is None and n else ([] if sizes is None else sizes)
    at = numbers(given, "sizes")
    persons = int(person.max()) + 1 if n else 0
    why = ""
    if persons < FEWEST:
        why = f"{persons} independent films or persons; a line of the spread needs {FEWEST}"
    elif all_equal(a):
        why = "all means are equal: nothing can change with them"
    if why:
        none = REGRESSION.unknown(why, n, level)
        each = (none,) * len(at)
        return RegressionLimits(none, none, none, none, at, each, each, each)
    value, influence = _lines_and_limits(d, a, at, z)
    of_persons = person_sums(influence, person)
    error = np.sqrt((of_persons**2).sum(axis=0) * (persons / (persons - 1.0) if persons < n else 1.0))
    half = t_quantile(level, persons - 2) * error
    every = []
    for one, reach in zip(value, half, strict=True):
        missing = "" if np.isfinite(one) else "the line of the spread is not above zero here"
        if np.isfinite(one) and not reach > 1e-12 * max(float(np.abs(d).max()), 1e-300):
            reach, missing = np.nan, "all differences lie on one line: they tell nothing of the spread"
        every.append(REGRESSION.estimate(one, one - reach, one + reach, n, level, missing))
    k = len(at)
    parts = tuple(every[4 : 4 + k]), tuple(every[4 + k : 4 + 2 * k]), tuple(every[4 + 2 * k :])
    return RegressionLimits(every[0], every[1], every[2], every[3], at, *parts)


def _lines_and_limits(d: FloatArray, a: FloatArray, at: FloatArray, z: float) -> tuple[FloatArray, FloatArray]:
    """Both lines, bias, lower and upper limit at each size, (4 + 3k,), and what each row moves them by, (n, 4 + 3k)."""
    centre = float(a.mean())
    size, factor = a - centre, z * np.sqrt(np.pi / 2.0)
    b0, b1, moved = _line(size, d)
    residual = d - b0 - b1 * size
    c0, c1, spread_moved = _line(size, np.abs(residual))
    # The absolute residuals move with the first line, too.
    sides = np.stack([np.sign(residual), np.sign(residual) * size])
    spread_moved = spread_moved - moved @ (_fit(size) @ sides.T).T
    value, influence = [b0 - b1 * centre, b1], [moved[:, 0] - centre * moved[:, 1], moved[:, 1]]
    value += [c0 - c1 * centre, c1]
    influence += [spread_moved[:, 0] - centre * spread_moved[:, 1], spread_moved[:, 1]]
    for sign in (0.0, -1.0, 1.0):
        for x in at - centre:
            spread = c0 + c1 * x
            value.append(b0 + b1 * x + sign * factor * spread if spread > 0.0 or sign == 0.0 else np.nan)
            influence.append(
                moved[:, 0] + moved[:, 1] * x + sign * factor * (spread_moved[:, 0] + spread_moved[:, 1] * x)
            )
    return np.array(value), np.stack(influence, axis=1)


def _fit(x: FloatArray) -> FloatArray:
    """What takes y to intercept and slope of the least squares line, shape (2, n)."""
    found: FloatArray = np.linalg.pinv(np.stack([np.ones_like(x), x], axis=1))
    return found


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float, FloatArray]:
    """Intercept and slope of least squares, and what each row moves them by, shape (n, 2).

    Rows are taken with their leverage (HC3: MacKinnon and White, Journal of Econometrics 1985;29:305; from memory), so
    that the sum of squares of a column is the variance of its coefficient whatever the spread of y along x.
    """
    fit = _fit(x)
    b0, b1 = (float(one) for one in fit @ y)
    leverage = fit[0] + fit[1] * x
    with np.errstate(invalid="ignore", divide="ignore"):
        return b0, b1, (fit * ((y - b0 - b1 * x) / (1.0 - leverage))).T


def _from_components(
    basis: Basis, means: FloatArray, extra: list[tuple[float, int]], n: int, level: float, z: float
) -> Limits:
    """Limits from the means of persons or films and from what averaging took away, as (variance, degrees)."""
    independent = len(means)
    between = float(means.var(ddof=1))
    parts = [(between, independent - 1), *extra]
    variance = sum(part for part, _ in parts)
    tails = [0.5 + level / 2.0, 0.5 - level / 2.0]
    down = up = 0.0
    for part, degrees in parts:
        low, high = part * degrees / chi2.ppf(tails, degrees)
        down, up = down + (part - low) ** 2, up + (high - part) ** 2
    sd = np.sqrt(variance)
    sd_low, sd_high = np.sqrt(max(0.0, variance - np.sqrt(down))), np.sqrt(variance + np.sqrt(up))
    mean = float(means.mean())
    half = t_quantile(level, independent - 1) * np.sqrt(between / independent)
    inner, outer = _mover(half, z, sd, sd_low, sd_high)
    return Limits(
        basis.estimate(mean, mean - half, mean + half, n, level),
        basis.estimate(sd, sd_low, sd_high, n, level),
        basis.estimate(mean - z * sd, mean - z * sd - outer, mean - z * sd - inner, n, level),
        basis.estimate(mean + z * sd, mean + z * sd + inner, mean + z * sd + outer, n, level),
    )


def _mover(half: float, z: float, sd: float, sd_low: float, sd_high: float) -> tuple[float, float]:
    """How far the interval of a limit reaches inward (negative) and outward from it."""
    inner = -float(np.hypot(half, z * (sd - sd_low)))
    return inner, float(np.hypot(half, z * (sd_high - sd)))


def _without_spread(basis: Basis, d: FloatArray, level: float) -> Limits:
    if d.size == 0:
        return _unknown(basis, NO_FILM, 0, level)
    why = NO_SPREAD if d.size > 1 else "one film has no spread"
    missing = basis.unknown(why, d.size, level)
    return Limits(basis.estimate(float(d.mean()), np.nan, np.nan, d.size, level, why), missing, missing, missing)


def _unknown(basis: Basis, why: str, n: int, level: float) -> Limits:
    missing = basis.unknown(why, n, level)
    return Limits(missing, missing, missing, missing)

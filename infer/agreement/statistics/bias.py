"""Size of errors: bias, mean absolute error, root mean square error, share within a bound.

Differences d = first method minus second, one a film, in the unit of the measure; a film without one is ``nan`` and
is left out. With ``groups`` both feet of a person stay together (``cluster_bootstrap.py``).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from raysplay.infer.agreement.statistics.cluster_bootstrap import FEWEST, ratio_interval, t_quantile
from raysplay.infer.agreement.statistics.estimate import Basis, Estimate
from raysplay.infer.agreement.statistics.inputs import FloatArray, IntArray, all_equal, checked_level, complete
from raysplay.infer.agreement.statistics.proportion import proportion

T_INTERVAL = Basis(
    "t interval of the mean difference",
    "independent films; differences near normal, or many films",
    "Bland and Altman, Lancet 1986;i:307",
)
BOOTSTRAP = Basis(
    "studentised bootstrap over films",
    "independent films like those to come",
    "Efron and Tibshirani 1993, An Introduction to the Bootstrap (from memory)",
)
CLUSTERED = Basis(
    "studentised bootstrap over persons, all films of a person kept together",
    "independent persons like those to come",
    "Efron and Tibshirani 1993, An Introduction to the Bootstrap (from memory)",
)
NO_FILM = "no film has both numbers"
NO_SPREAD = "all differences are equal: they tell nothing of the spread"


def bias(differences: npt.ArrayLike, groups: npt.ArrayLike | None = None, level: float = 0.95) -> Estimate:
    """Mean difference, ``sum(d) / n``.

    Parameters
    ----------
    differences : array_like, shape (n,)
    groups : array_like of int, shape (n,), optional
        Person of each film.
    level : float

    Returns
    -------
    Estimate
        In the unit of the differences; ``mean -+ t s / sqrt(n)`` without groups.

    Raises
    ------
    ValueError
        If a difference is not a finite number or ``nan``, lengths differ, or the level does not lie between 0 and 1.

    Examples
    --------
    >>> found = bias([1.0, -2.0, 0.5, 3.0])
    >>> found.value, round(found.low, 2), round(found.high, 2)
    (0.625, -2.65, 3.9)
    """
    checked_level(level)
    (d,), person, _ = complete(groups, differences=differences)
    basis = CLUSTERED if _repeated(person) else T_INTERVAL
    if d.size == 0:
        return basis.unknown(NO_FILM, 0, level)
    mean = float(d.mean())
    if d.size < 2:
        return basis.estimate(mean, np.nan, np.nan, 1, level, "one film has no spread")
    if all_equal(d):
        return basis.estimate(mean, np.nan, np.nan, d.size, level, NO_SPREAD)
    if basis is CLUSTERED:
        low, high = ratio_interval(d, np.ones(d.size), person, level)
        return basis.estimate(mean, low, high, d.size, level, _few(person))
    half = t_quantile(level, d.size - 1) * float(d.std(ddof=1)) / np.sqrt(d.size)
    return basis.estimate(mean, mean - half, mean + half, d.size, level)


def mean_absolute_error(
    differences: npt.ArrayLike, groups: npt.ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """Mean of the sizes of the differences, ``sum(|d|) / n``.

    0.798 standard deviations where differences are normal without bias.

    Parameters
    ----------
    differences, groups, level
        As for ``bias``.

    Returns
    -------
    Estimate
        In the unit of the differences; the interval is made on the scale of the logarithm. It is ``nan`` below
        ``FEWEST`` independent films or persons, or where all differences have one size.

    Raises
    ------
    ValueError
        As for ``bias``.

    Examples
    --------
    >>> found = mean_absolute_error(np.tile([1.0, -3.0], 10))
    >>> found.value, bool(1.5 < found.low < found.high < 2.6)
    (2.0, True)
    """
    return _mean_of(differences, np.abs, 1.0, groups, level)


def root_mean_square_error(
    differences: npt.ArrayLike, groups: npt.ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """``sqrt(sum(d^2) / n)``; large errors weigh more than in the mean absolute error.

    Parameters
    ----------
    differences, groups, level
        As for ``bias``.

    Returns
    -------
    Estimate
        In the unit of the differences; the interval is made on the scale of the logarithm of the mean square, and
        widened for few persons. It is ``nan`` as for ``mean_absolute_error``.

    Raises
    ------
    ValueError
        As for ``bias``.

    Examples
    --------
    >>> round(root_mean_square_error(np.tile([1.0, -3.0], 10)).value, 4)
    2.2361
    """
    return _mean_of(differences, np.square, 0.5, groups, level)


def share_within(
    differences: npt.ArrayLike, bound: float, groups: npt.ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """Share of films whose difference is no larger than ``bound``, ``count(|d| <= bound) / n``.

    Parameters
    ----------
    differences, groups, level
        As for ``bias``.
    bound : float
        Zero or more, in the unit of the differences.

    Returns
    -------
    Estimate
        0..1 with the interval of Wilson (``proportion.py``).

    Raises
    ------
    ValueError
        If the bound is negative or not a number.

    Examples
    --------
    >>> found = share_within([0.5, -1.0, 2.0, 7.0], 2.0)
    >>> found.value, round(found.low, 2), round(found.high, 2)
    (0.75, 0.3, 0.95)
    """
    if not (np.isfinite(bound) and bound >= 0.0):
        raise ValueError(f"bound must be zero or more, not {bound}")
    (d,), _, kept = complete(groups, differences=differences)
    persons = None if groups is None else np.asarray(groups)[kept]
    # A difference of exactly the bound counts, though 3.3 - 2.3 is a little more than 1 in a computer.
    return proportion(np.abs(d) <= bound + 1e-9 * max(1.0, bound), groups=persons, level=level)


def _mean_of(
    differences: npt.ArrayLike, function: np.ufunc, power: float, groups: npt.ArrayLike | None, level: float
) -> Estimate:
    checked_level(level)
    (d,), person, _ = complete(groups, differences=differences)
    basis = CLUSTERED if _repeated(person) else BOOTSTRAP
    if d.size == 0:
        return basis.unknown(NO_FILM, 0, level)
    size: FloatArray = function(d)
    value = float(size.mean()) ** power
    if all_equal(size):
        return basis.estimate(value, np.nan, np.nan, d.size, level, NO_SPREAD)
    low, high = ratio_interval(size, np.ones(d.size), person, level, logarithm=True, squares=function is np.square)
    return basis.estimate(value, low**power, high**power, d.size, level, _few(person))


def _repeated(person: IntArray) -> bool:
    return person.size > 0 and int(person.max()) + 1 < person.size


def _few(person: IntArray) -> str:
    persons = int(person.max()) + 1 if person.size else 0
    return f"{persons} independent films or persons; a bootstrap needs {FEWEST}" if persons < FEWEST else ""

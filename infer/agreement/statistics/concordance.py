"""Concordance correlation: how near pairs lie to the line of equality."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from raysplay.infer.agreement.statistics.cluster_bootstrap import FEWEST, sums_interval
from raysplay.infer.agreement.statistics.estimate import Basis, Estimate
from raysplay.infer.agreement.statistics.inputs import FloatArray, all_equal, checked_level, complete

SOURCE = "Lin, Biometrics 1989;45:255, with the correction in Biometrics 2000;56:324"
LIN = Basis("interval by the inverse hyperbolic tangent", "independent films; pairs near bivariate normal", SOURCE)
CLUSTERED = Basis("studentised bootstrap over persons", "independent persons", SOURCE)


@dataclass(frozen=True)
class Concordance:
    """Concordance correlation and its two factors.

    Attributes
    ----------
    concordance : Estimate
        -1 to 1.
    precision : float
        Pearson's correlation: how near the pairs lie to some line.
    accuracy : float
        Bias correction factor C_b, 0 to 1: how near that line lies to equality.
    """

    concordance: Estimate
    precision: float
    accuracy: float


def concordance(
    x: npt.ArrayLike, y: npt.ArrayLike, groups: npt.ArrayLike | None = None, level: float = 0.95
) -> Concordance:
    """``2 s_xy / (s_x^2 + s_y^2 + (mean x - mean y)^2)``, with variances by n.

    Like every correlation it rises with the spread of the films, and must not be compared between groups of films.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        ``nan`` where missing.
    groups : array_like of int, shape (n,), optional
        Person of each film.
    level : float

    Returns
    -------
    Concordance
        ``nan`` below three films or where a method gives one number only.

    Examples
    --------
    >>> found = concordance([1.0, 2.0, 3.0, 4.0], [1.5, 2.5, 3.5, 4.5])
    >>> round(found.concordance.value, 3), round(found.precision, 3), round(found.accuracy, 3)
    (0.909, 1.0, 0.909)
    """
    checked_level(level)
    (a, b), person, _ = complete(groups, x=x, y=y)
    n = a.size
    persons = int(person.max()) + 1 if n else 0
    basis = LIN if persons == n else CLUSTERED
    if n < 3:
        return Concordance(basis.unknown(f"{n} pair(s); at least three are needed", n, level), np.nan, np.nan)
    if all_equal(a) or all_equal(b):
        return Concordance(basis.unknown("one method gives the same number everywhere", n, level), np.nan, np.nan)
    middle = float(np.mean([a.mean(), b.mean()]))
    rows = np.stack([a - middle, b - middle, (a - middle) ** 2, (b - middle) ** 2, (a - middle) * (b - middle)], axis=1)
    rows = np.column_stack([rows, np.ones(n)])
    value = float(_from_sums(rows.sum(axis=0))[0])
    va, vb = float(a.var()), float(b.var())
    precision = float(np.corrcoef(a, b)[0, 1])
    shift2 = (float(a.mean()) - float(b.mean())) ** 2 / np.sqrt(va * vb)
    accuracy = float(2.0 / (np.sqrt(va / vb) + np.sqrt(vb / va) + shift2))
    if basis is CLUSTERED:
        ends = sums_interval(rows, _from_sums, person, level, forward=np.arctanh, inverse=np.tanh)
        low, high = (float(end[0]) for end in ends)
        why = f"{persons} persons; a bootstrap needs {FEWEST}" if persons < FEWEST else ""
        return Concordance(basis.estimate(value, low, high, n, level, why), precision, accuracy)
    if 1.0 - abs(precision) < 1e-12 or abs(value) < 1e-300:
        why = "all pairs lie on one line: they tell nothing of the spread"
        return Concordance(basis.estimate(value, np.nan, np.nan, n, level, why), precision, accuracy)
    r2, c2 = precision**2, value**2
    error2 = (
        (1 - r2) * c2 / ((1 - c2) * r2)
        + 2 * value**3 * (1 - value) * shift2 / (precision * (1 - c2) ** 2)
        - value**4 * shift2**2 / (2 * r2 * (1 - c2) ** 2)
    ) / (n - 2)
    half = float(norm.ppf(0.5 + level / 2.0)) * np.sqrt(max(error2, 0.0))
    low, high = np.tanh(np.arctanh(value) + np.array([-half, half]))
    return Concordance(basis.estimate(value, low, high, n, level), precision, accuracy)


def _from_sums(sums: FloatArray) -> FloatArray:
    x, y, xx, yy, xy, n = (sums[..., i] for i in range(6))
    both = xx + yy - (x**2 + y**2) / n + (x - y) ** 2 / n
    return (2.0 * (xy - x * y / n) / both)[..., None]

"""A share of films and its interval, also where films come in persons."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.stats import beta, norm

from raysplay.infer.agreement.statistics.cluster_bootstrap import ratio_error, t_quantile
from raysplay.infer.agreement.statistics.estimate import Basis, Estimate
from raysplay.infer.agreement.statistics.inputs import checked_level, clusters

Kind = Literal["wilson", "clopper_pearson"]

PLAIN = {
    "wilson": Basis(
        "interval of Wilson", "independent films", "Wilson, Journal of the American Statistical Association 1927;22:209"
    ),
    "clopper_pearson": Basis(
        "interval of Clopper and Pearson; holds its level or more", "independent films", "Biometrika 1934;26:404"
    ),
}
CLUSTERED = {
    kind: Basis(
        f"{basis.method}, on the effective number of films by the spread between persons",
        "independent persons",
        "Korn and Graubard, Survey Methodology 1998;24:193 (from memory)",
    )
    for kind, basis in PLAIN.items()
}


def proportion(
    hits: npt.ArrayLike, kind: Kind = "wilson", groups: npt.ArrayLike | None = None, level: float = 0.95
) -> Estimate:
    """Share of hits among films.

    Where films come in persons, ``n`` is replaced by the effective number ``n / design effect``, the design effect
    being the variance of the share over persons against ``p (1 - p) / n``, at least 1, and widened for few persons.
    Where all or none are hits the persons count, not the films. Of 95 %, the interval over persons with two films each
    holds 98 % at 15 persons, 95 % at 60 (simulated here).

    Parameters
    ----------
    hits : array_like of bool, shape (n,)
    kind : {'wilson', 'clopper_pearson'}
    groups : array_like of int, shape (n,), optional
    level : float

    Returns
    -------
    Estimate
        0..1.

    Raises
    ------
    ValueError
        If ``hits`` are not one row of true and false, there is no such kind, lengths differ, or the level does not
        lie between 0 and 1.

    Examples
    --------
    >>> found = proportion([True] * 8 + [False] * 2)
    >>> found.value, round(found.low, 3), round(found.high, 3)
    (0.8, 0.49, 0.943)
    """
    checked_level(level)
    if kind not in PLAIN:
        raise ValueError(f"kind must be one of {', '.join(PLAIN)}, not {kind}")
    given = np.asarray(hits)
    if given.ndim != 1 or (given.size and given.dtype != bool):
        raise ValueError("hits must be one row of true and false")
    n = given.size
    person = clusters(groups, n)
    persons = int(person.max()) + 1 if n else 0
    repeated = persons < n
    basis = (CLUSTERED if repeated else PLAIN)[kind]
    if n == 0:
        return basis.unknown("no film to count", 0, level)
    share = float(given.mean())
    effective = float(n)
    if repeated:
        if persons < 2:
            return basis.estimate(share, np.nan, np.nan, n, level, "all films are of one person")
        plain = share * (1.0 - share) / n
        effect = ratio_error(given, np.ones(n), person) ** 2 / plain if plain > 0.0 else n / persons
        effective = n / max(1.0, effect)
        effective *= (norm.ppf(0.5 + level / 2.0) / t_quantile(level, persons - 1)) ** 2
    low, high = (wilson if kind == "wilson" else clopper_pearson)(share * effective, effective, level)
    return basis.estimate(share, low, high, n, level)


def wilson(part: float, whole: float, level: float) -> tuple[float, float]:
    """Interval of Wilson (Journal of the American Statistical Association 1927;22:209); ``nan`` of nothing.

    It takes every foot as a draw of its own; two feet of one film make it a little too narrow.

    Examples
    --------
    >>> [round(end, 4) for end in wilson(8, 10, 0.95)]
    [0.4902, 0.9433]
    """
    if whole <= 0:
        return float("nan"), float("nan")
    z2 = norm.ppf(0.5 + level / 2.0) ** 2
    share = part / whole
    middle = (share + z2 / (2.0 * whole)) / (1.0 + z2 / whole)
    half = np.sqrt(z2) / (1.0 + z2 / whole) * np.sqrt(share * (1.0 - share) / whole + z2 / (4.0 * whole**2))
    return max(0.0, float(middle - half)), min(1.0, float(middle + half))


def clopper_pearson(part: float, whole: float, level: float) -> tuple[float, float]:
    """Interval of Clopper and Pearson; ``nan`` of nothing.

    Examples
    --------
    >>> [round(end, 4) for end in clopper_pearson(8, 10, 0.95)]
    [0.4439, 0.9748]
    """
    if whole <= 0:
        return float("nan"), float("nan")
    tail = 0.5 - level / 2.0
    low = 0.0 if part <= 0 else float(beta.ppf(tail, part, whole - part + 1.0))
    high = 1.0 if part >= whole else float(beta.ppf(1.0 - tail, part + 1.0, whole - part))
    return low, high

"""Agreement of two methods (Bland and Altman, Lancet 1986;i:307)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

LIMITS = 1.96
"""Standard deviations between bias and limit: 95 % of differences, if normal."""


@dataclass(frozen=True)
class Agreement:
    """Bias (mean difference), standard deviation of the differences, 95 % limits of agreement."""

    bias: float
    sd: float
    lower: float
    upper: float


def agreement(differences: npt.ArrayLike) -> Agreement:
    """Agreement from differences, first method minus second.

    Parameters
    ----------
    differences : array_like, shape (n,)

    Returns
    -------
    Agreement
        In the unit of the differences; the limits are ``nan`` below two differences, all below one.
    """
    given = np.asarray(differences, dtype=float)
    bias = float(given.mean()) if given.size else np.nan
    sd = float(given.std(ddof=1)) if given.size > 1 else np.nan
    return Agreement(bias, sd, bias - LIMITS * sd, bias + LIMITS * sd)

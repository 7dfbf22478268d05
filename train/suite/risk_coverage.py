"""What sending the doubtful away buys: error among the feet that stay, by how many stay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class RiskCoverage:
    """A risk-coverage curve (El-Yaniv and Wiener, Journal of Machine Learning Research 2010;11:1605; from memory).

    Attributes
    ----------
    kept : ndarray, shape (n,)
        Share of the feet that stay: 1/n, 2/n ... 1.
    risk : ndarray, shape (n,)
        Mean absolute error of the feet that stay.
    area : float
        Area under the curve: the mean of ``risk``. It lies between ``least`` and, for widths that tell nothing, about
        ``risk[-1]``, the error of all.
    least : float
        Area if feet were sent away in order of their true error.
    """

    kept: FloatArray
    risk: FloatArray
    area: float
    least: float


def risk_coverage(error: npt.ArrayLike, doubt: npt.ArrayLike) -> RiskCoverage:
    """Curve of the mean absolute error as the most doubtful feet are sent away first.

    Parameters
    ----------
    error : array_like, shape (n,)
    doubt : array_like, shape (n,)
        Interval width, or whatever else grows with doubt; equal doubts go in the order given.

    Returns
    -------
    RiskCoverage
        ``nan`` areas for no foot.
    """
    absolute = np.abs(np.asarray(error, dtype=float))
    count = np.arange(1, absolute.size + 1)
    risk = np.cumsum(absolute[np.argsort(np.asarray(doubt, dtype=float), kind="stable")]) / count
    best = np.cumsum(np.sort(absolute)) / count
    if not absolute.size:
        return RiskCoverage(risk, risk, float("nan"), float("nan"))
    return RiskCoverage(count / absolute.size, risk, float(risk.mean()), float(best.mean()))

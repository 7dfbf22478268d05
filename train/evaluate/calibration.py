"""How much wider or narrower intervals must be to hold what they promise."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def interval_factor(error: FloatArray, half_width: FloatArray, level: float) -> float:
    """Factor on the half width of intervals that makes them hold ``level`` of these errors.

    Normalised split conformal prediction: the order statistic ``ceil((n + 1) * level)`` of ``|error| / half_width``
    (Vovk, Gammerman and Shafer 2005, "Algorithmic Learning in a Random World"; the promise holds for feet drawn like
    these, and for no others). Multiply the factors under ``interval.inflation`` in ``configs/decision.yaml`` by it.

    Parameters
    ----------
    error, half_width : ndarray, shape (n,)
    level : float
        Share of errors to hold, 0..1.

    Returns
    -------
    float
        ``inf`` where n is too small to promise the level, ``nan`` where no error is known.

    Examples
    --------
    >>> import numpy as np
    >>> interval_factor(np.arange(1.0, 20.0), np.full(19, 10.0), 0.9)
    1.8
    """
    usable = np.isfinite(error) & np.isfinite(half_width) & (half_width > 0)
    score = np.sort(np.abs(error[usable]) / half_width[usable])
    if score.size == 0:
        return float("nan")
    # The small offset keeps (n + 1) * level from crossing an integer by rounding alone.
    rank = math.ceil((score.size + 1) * level - 1e-9)
    return float(score[rank - 1]) if rank <= score.size else float("inf")

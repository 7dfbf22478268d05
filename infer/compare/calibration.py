"""How much wider or narrower intervals must be to hold what they promise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def interval_factor(
    error: FloatArray, half_width: FloatArray, level: float, films: Sequence[str] | None = None
) -> float:
    """Factor on the half width of intervals that makes them hold ``level`` of these errors.

    Normalised split conformal prediction (Vovk, Gammerman and Shafer 2005, "Algorithmic Learning in a Random World"):
    the score of a foot is ``|error| / half_width``, the factor the order statistic ``ceil((n + 1) * level)`` of the
    scores. The promise holds for a new foot drawn like these, and for no other. The two feet of one film are not
    independent: with ``films`` each film has one vote, shared among its feet, and the promise is for a foot of a new
    film (Lee, Barber and Willett 2023, "Distribution-free inference with hierarchical data"; from memory). With one
    foot a film both are the same.

    Parameters
    ----------
    error, half_width : ndarray, shape (n,)
    level : float
        Share of errors to hold, 0..1.
    films : sequence of str, length n, optional
        Film of each foot.

    Returns
    -------
    float
        ``inf`` where there are too few films to promise the level, ``nan`` where no error is known.

    Examples
    --------
    >>> import numpy as np
    >>> interval_factor(np.arange(1.0, 20.0), np.full(19, 10.0), 0.9)
    1.8
    """
    usable = np.isfinite(error) & np.isfinite(half_width) & (half_width > 0)
    score = np.abs(error[usable]) / half_width[usable]
    if score.size == 0:
        return float("nan")
    name = np.arange(score.size) if films is None else np.asarray(films, dtype=object).astype(str)[usable]
    _, film, feet = np.unique(name, return_inverse=True, return_counts=True)
    order = np.argsort(score)
    votes = np.cumsum(1.0 / feet[film[order]])
    # The small offset keeps (films + 1) * level from crossing an integer by rounding alone.
    rank = int(np.searchsorted(votes, (len(feet) + 1) * level - 1e-9))
    return float(score[order[rank]]) if rank < score.size else float("inf")

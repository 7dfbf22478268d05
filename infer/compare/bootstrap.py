"""Confidence interval of a mean over feet that come in films."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from raysplay.infer.agreement.statistics.cluster_bootstrap import draws


def mean_interval_by_film(
    values: npt.ArrayLike, films: Sequence[str], *, samples: int, seed: int, level: float
) -> tuple[float, float]:
    """Percentile interval of the mean, films drawn with replacement and their feet kept together.

    The two feet of one film are not independent, so feet must not be drawn one by one.

    Parameters
    ----------
    values : array_like, shape (n,)
    films : sequence of str, length n
        Film of each value.
    samples, seed, level
        Number of draws, seed of the generator, share between the ends.

    Returns
    -------
    low, high : float
        ``nan`` below two films.
    """
    _, group = np.unique(np.asarray(films, dtype=object).astype(str), return_inverse=True)
    total = np.bincount(group, weights=np.asarray(values, dtype=float)) if len(group) else np.zeros(0)
    count = np.bincount(group).astype(float) if len(group) else np.zeros(0)
    drawn_films = len(total)
    if drawn_films < 2:
        return np.nan, np.nan
    means = np.concatenate([(times @ total) / (times @ count) for times in draws(drawn_films, samples, seed)])
    low, high = np.quantile(means, (0.5 - level / 2.0, 0.5 + level / 2.0))
    return float(low), float(high)

"""Sensitivity and specificity at a threshold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.infer.agreement.statistics.estimate import Estimate
from raysplay.infer.agreement.statistics.inputs import checked_level, complete
from raysplay.infer.agreement.statistics.proportion import CLUSTERED, PLAIN, Kind, proportion


@dataclass(frozen=True)
class Accuracy:
    """How the tool sorts films at one threshold.

    Attributes
    ----------
    sensitivity : Estimate
        Share called positive of films that are.
    specificity : Estimate
        Share called negative of films that are.
    positive_predictive, negative_predictive : Estimate
        Share right of those called so; they hold only where as many films are positive as here.
    true_positive, false_negative, true_negative, false_positive : int
    """

    sensitivity: Estimate
    specificity: Estimate
    positive_predictive: Estimate
    negative_predictive: Estimate
    true_positive: int
    false_negative: int
    true_negative: int
    false_positive: int


def accuracy(
    tool: npt.ArrayLike,
    truth: npt.ArrayLike,
    threshold: float,
    *,
    interval: Kind = "wilson",
    groups: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> Accuracy:
    """Sensitivity and specificity of ``tool >= threshold`` for ``truth >= threshold``.

    Parameters
    ----------
    tool, truth : array_like, shape (n,)
        Numbers of the same measure; ``nan`` where missing. A study
        without films near the threshold flatters.
    threshold : float
        The threshold itself counts as positive.
    interval : {'wilson', 'clopper_pearson'}
    groups : array_like of int, shape (n,), optional
    level : float

    Returns
    -------
    Accuracy
        ``nan`` where no film is positive, or none negative.

    Raises
    ------
    ValueError
        If the threshold is no number or lengths differ.

    Examples
    --------
    >>> found = accuracy([14.0, 16.0, 22.0, 15.0], [13.0, 17.0, 14.0, 20.0], 15.0)
    >>> found.sensitivity.value, found.specificity.value, found.false_positive
    (1.0, 0.5, 1)
    """
    checked_level(level)
    if not np.isfinite(threshold):
        raise ValueError(f"threshold must be a number, not {threshold}")
    if interval not in PLAIN:
        raise ValueError(f"interval must be one of {', '.join(PLAIN)}, not {interval}")
    (called, real), person, _ = complete(groups, tool=tool, truth=truth)
    positive, sick = called >= threshold, real >= threshold

    def share(right: npt.NDArray[np.bool_], among: npt.NDArray[np.bool_], why: str) -> Estimate:
        if not among.any():
            basis = PLAIN[interval] if groups is None else CLUSTERED[interval]
            return basis.unknown(why, 0, level)
        return proportion(right[among], interval, None if groups is None else person[among], level)

    return Accuracy(
        share(positive, sick, "no film reaches the threshold"),
        share(~positive, ~sick, "every film reaches the threshold"),
        share(sick, positive, "the tool calls no film positive"),
        share(~sick, ~positive, "the tool calls no film negative"),
        int(np.sum(positive & sick)),
        int(np.sum(~positive & sick)),
        int(np.sum(~positive & ~sick)),
        int(np.sum(positive & ~sick)),
    )

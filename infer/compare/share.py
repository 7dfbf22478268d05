"""Confidence interval of a share."""

from __future__ import annotations

from raysplay.infer.agreement.statistics.proportion import wilson


def share_interval(part: int, whole: int, level: float) -> tuple[float, float]:
    """Wilson interval of ``part`` of ``whole`` (Wilson, Journal of the American Statistical Association 1927;22:209).

    It takes every foot as a draw of its own; two feet of one film make it a little too narrow.

    Returns
    -------
    low, high : float
        Within 0..1; ``nan`` of nothing.
    """
    return wilson(part, whole, level)

"""A figure with its interval and with what it stands on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite, nan


@dataclass(frozen=True)
class Estimate:
    """One statistic as it may be printed.

    Attributes
    ----------
    value, low, high : float
        The figure and the ends of its confidence interval; ``nan`` where nothing is justified.
    n : int
        How many films (or pairs, or persons where the method says so) it stands on.
    level : float
        Confidence of the interval, 0..1.
    method : str
        How the interval was made.
    assumption : str
        What must hold for the interval to hold.
    source : str
        Where the formula comes from.
    why : str
        Why the figure or its interval is missing; empty where both are there.
    """

    value: float
    low: float
    high: float
    n: int
    level: float
    method: str
    assumption: str
    source: str
    why: str = ""

    def scaled(self, factor: float) -> Estimate:
        """The same statement in another unit, or of a fixed multiple.

        Examples
        --------
        >>> Estimate(1.0, 0.5, 2.0, 20, 0.95, "", "", "").scaled(2.0).high
        4.0
        """
        ends = sorted((factor * self.low, factor * self.high)) if isfinite(self.low + self.high) else [nan, nan]
        return replace(self, value=factor * self.value, low=ends[0], high=ends[1])


@dataclass(frozen=True)
class Basis:
    """What all figures of one method have in common: method, assumption, source."""

    method: str
    assumption: str
    source: str

    def estimate(self, value: float, low: float, high: float, n: int, level: float, why: str = "") -> Estimate:
        """A figure by this method; a figure without interval must say why.

        Examples
        --------
        >>> Basis("t interval", "normal", "Student 1908").estimate(1.0, 0.5, 1.5, 9, 0.95).method
        't interval'
        """
        if not why and not (isfinite(value) and isfinite(low) and isfinite(high)):
            why = "not defined for these numbers"
        return Estimate(float(value), float(low), float(high), n, level, self.method, self.assumption, self.source, why)

    def unknown(self, why: str, n: int, level: float) -> Estimate:
        """No figure at all, and why."""
        return self.estimate(nan, nan, nan, n, level, why)

"""Intervals too wide to use without a person."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from raysplay.infer.decide.case import Finding
from raysplay.infer.decide.config import IntervalLimits
from raysplay.infer.decide.wording import number, unit_word
from raysplay.infer.records import Measurement, Outcome
from raysplay.measure import by_name


def wide_interval(measurements: Sequence[Measurement], limits: IntervalLimits) -> Iterator[Finding]:
    """Send to a person every measure whose 90 % interval is wider than its limit.

    A withheld measure (``nan``) is not wide; it is reported as withheld.
    """
    for one in measurements:
        limit = limits.widest.get(one.measure)
        width = one.high - one.low
        if limit is not None and width > limit:
            yield Finding(
                Outcome.REVIEW,
                f"{by_name(one.measure).abbreviation} interval is {number(width, one.unit)} {unit_word(one.unit)} "
                f"wide, limit {limit:g}",
            )

"""Intervals too wide to use without a person."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from raysplay.infer.decide.case import Finding
from raysplay.infer.decide.config import IntervalLimits
from raysplay.infer.decide.needed import deciding
from raysplay.infer.decide.wording import number, unit_word
from raysplay.infer.records import Measurement, Outcome
from raysplay.measure import by_name


def too_wide(measurements: Iterable[Measurement], limits: IntervalLimits) -> Iterator[tuple[Measurement, str]]:
    """Measurements whose interval is wider than their limit, each with the words for it; ``nan`` is not wide."""
    for one in measurements:
        limit = limits.widest.get(one.measure)
        width = one.high - one.low
        if limit is not None and width > limit:
            yield (
                one,
                f"{by_name(one.measure).abbreviation} interval is {number(width, one.unit)} {unit_word(one.unit)} "
                f"wide, limit {limit:g}",
            )


def wide_interval(measurements: Sequence[Measurement], limits: IntervalLimits) -> Iterator[Finding]:
    """Send to a person every measure that decides over the foot and whose interval is wider than its limit."""
    decides = {measure.name for measure in deciding(measurements, limits)}
    for one, words in too_wide(measurements, limits):
        if one.measure in decides:
            yield Finding(Outcome.REVIEW, words)

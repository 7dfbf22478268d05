"""Intervals too wide to use without a person."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.needed import deciding
from raysplay.infer.decide.settings import DecisionLimits, IntervalLimits
from raysplay.infer.decide.wording import number, unit_word
from raysplay.infer.reason import Reason, ReasonKind
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


def wide_interval(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person every measure that decides over the foot and whose interval is wider than its limit."""
    decides = {measure.name for measure in deciding(case.measurements, limits.interval)}
    for one, words in too_wide(case.measurements, limits.interval):
        if one.measure in decides:
            numbers = {"width": one.high - one.low, "limit": limits.interval.widest[one.measure]}
            yield Finding(Outcome.REVIEW, Reason(ReasonKind.WIDE_INTERVAL, words, numbers))

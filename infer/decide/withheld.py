"""Numbers that are not given: without usable points, or unsure where they decide nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.doubtful_landmarks import doubtful
from raysplay.infer.decide.needed import deciding, needed_landmarks, reported, usable_landmarks
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.decide.side import contradicting
from raysplay.infer.decide.wide_interval import too_wide
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Measurement, Outcome, Withheld
from raysplay.measure.definition import MILLIMETRE


def given(case: FootCase, limits: DecisionLimits) -> tuple[Measurement, ...]:
    """The measurements as they may be handed on: ``nan`` and why for a number that decides nothing and is unsure.

    Unsure is one that stands on a doubtful landmark or whose interval is wider than its limit. Where the points lie as
    on the other foot, no number is given: its sign would be turned.
    """
    why: dict[str, Withheld] = {
        **dict.fromkeys(_too_wide(case, limits), Withheld.WIDE_INTERVAL),
        **dict.fromkeys(_on_doubtful_points(case, limits), Withheld.DOUBTFUL_POINTS),
    }
    if contradicting(case, limits):
        why = {one.measure: Withheld.SIDE for one in case.measurements}
    without_points = _without_points(case, limits)
    for one in case.measurements:
        if not math.isfinite(one.value):
            why[one.measure] = Withheld.NO_POINTS if one.measure in without_points else Withheld.NO_MILLIMETRES
    return tuple(
        replace(one, value=math.nan, low=math.nan, high=math.nan, withheld=why[one.measure])
        if one.measure in why
        else one
        for one in case.measurements
    )


def withheld(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Name what is withheld; only a measure that decides sends the foot to a person.

    A length that is missing only because the film's spacing gives no millimetres is no reason.
    """
    decides = {measure.name for measure in deciding(case.measurements, limits.interval)}
    missing = _without_points(case, limits)
    for outcome, names in (
        (Outcome.REVIEW, [name for name in missing if name in decides]),
        (Outcome.ACCEPTED, [name for name in missing if name not in decides]),
    ):
        if names:
            yield _finding(outcome, f"{_abbreviated(case, names)}, for want of usable points")
    doubted = _on_doubtful_points(case, limits)
    if doubted:
        yield _finding(Outcome.ACCEPTED, f"{_abbreviated(case, doubted)}, for doubtful points")
    for name, words in _too_wide(case, limits).items():
        if name not in doubted:
            yield _finding(Outcome.ACCEPTED, words)


def _finding(outcome: Outcome, what: str) -> Finding:
    return Finding(outcome, Reason(ReasonKind.WITHHELD, f"withheld: {what}"))


def _without_points(case: FootCase, limits: DecisionLimits) -> list[str]:
    values = {one.measure: one.value for one in case.measurements}
    usable = usable_landmarks(case.film, case.landmarks, limits)
    return [
        measure.name
        for measure in reported(case.measurements)
        if not math.isfinite(values[measure.name])
        and not (measure.unit == MILLIMETRE and usable[needed_landmarks(case.schema, [measure])].all())
    ]


def _bystanders(case: FootCase, limits: DecisionLimits) -> tuple[Measurement, ...]:
    """Measurements with a value that decide nothing."""
    decides = {measure.name for measure in deciding(case.measurements, limits.interval)}
    return tuple(one for one in case.measurements if one.measure not in decides and math.isfinite(one.value))


def _on_doubtful_points(case: FootCase, limits: DecisionLimits) -> list[str]:
    return [
        measure.name for measure in reported(_bystanders(case, limits)) if doubtful(case, limits.landmarks, [measure])
    ]


def _too_wide(case: FootCase, limits: DecisionLimits) -> dict[str, str]:
    return {one.measure: words for one, words in too_wide(_bystanders(case, limits), limits.interval)}


def _abbreviated(case: FootCase, names: list[str]) -> str:
    return ", ".join(one.abbreviation for one in reported(case.measurements) if one.name in names)

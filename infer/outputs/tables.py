"""``feet.csv``, ``measurements.csv`` and ``films.csv``: what stands in a row."""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.configs.protocol import reported_measures
from raysplay.infer.records import Decision, FilmRecord, Outcome

Row = list[str | float | int | None]

FEET_HEADER = (
    "film",
    "foot",
    "decision",
    "reasons",
    *(f"{measure.name}{end}" for measure in reported_measures() for end in ("", "_low", "_high")),
)
MEASUREMENTS_HEADER = ("film", "foot", "measure", "value", "unit", "low", "high", "construction", "decision")
FILMS_HEADER = ("film", "feet", "remarks", "seconds")

_DECIMALS = 3


def feet_rows(record: FilmRecord) -> Iterator[Row]:
    """One row a foot, or one for the film where it yielded none; a refused foot has no numbers."""
    if not record.feet:
        decision = record.decision or Decision(Outcome.REFUSED, ("no foot found",))
        yield [record.film, "", *_decision(decision), *[None] * (3 * len(reported_measures()))]
    for foot in record.feet:
        by_measure = {one.measure: one for one in foot.measurements}
        cells: Row = []
        for measure in reported_measures():
            one = by_measure.get(measure.name)
            if one is None or foot.decision.outcome is Outcome.REFUSED:
                cells += [None, None, None]
            else:
                cells += [round(number, _DECIMALS) for number in (one.value, one.low, one.high)]
        yield [record.film, foot.landmarks.foot.side, *_decision(foot.decision), *cells]


def measurements_rows(record: FilmRecord) -> Iterator[Row]:
    """One row a foot and measure, in registry order; empty cells where withheld, no row if refused."""
    for foot in record.feet:
        if foot.decision.outcome is Outcome.REFUSED:
            continue
        for one in foot.measurements:
            value, low, high = (round(number, _DECIMALS) for number in (one.value, one.low, one.high))
            yield [
                record.film,
                foot.landmarks.foot.side,
                one.measure,
                value,
                one.unit,
                low,
                high,
                one.construction,
                foot.decision.outcome.value,
            ]


def films_row(record: FilmRecord) -> Row:
    """The film's own line: feet found, caveats of the file, seconds spent on it."""
    seconds = sum((record.seconds or {}).values())
    return [record.film, len(record.feet), "; ".join(record.remarks), round(seconds, 3)]


def _decision(decision: Decision) -> tuple[str, str]:
    return decision.outcome.value, "; ".join(decision.reasons)

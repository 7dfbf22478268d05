"""``feet.csv``, ``measurements.csv`` and ``films.csv``: what stands in a row."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from raysplay.infer.films.film import Film
from raysplay.infer.records import Decision, FilmRecord, Outcome
from raysplay.measure import Measure

Row = list[str | float | int | None]

MEASUREMENTS_HEADER = ("film", "foot", "measure", "value", "unit", "low", "high", "construction", "decision")
FILMS_HEADER = (
    "film",
    "feet",
    "remarks",
    "seconds",
    "sha256",
    "rows",
    "columns",
    "row_mm",
    "column_mm",
    "aspect",
    "spacing",
)

_DECIMALS = 3
CROPS_HEADER = (
    "film",
    "foot",
    "foot_index",
    *(
        f"{corner}_{axis}"
        for corner in ("distal_medial", "distal_lateral", "proximal_lateral", "proximal_medial")
        for axis in "xy"
    ),
)


def feet_header(reported: Sequence[Measure]) -> tuple[str, ...]:
    """Columns of ``feet.csv``: three for each reported measure."""
    numbers = (f"{measure.name}{end}" for measure in reported for end in ("", "_low", "_high"))
    return ("film", "foot", "decision", "reasons", *numbers)


def feet_rows(record: FilmRecord, reported: Sequence[Measure]) -> Iterator[Row]:
    """One row a foot, or one for the film where it yielded none; a refused foot has no numbers."""
    if not record.feet:
        decision = record.decision or Decision(Outcome.REFUSED, ("no foot found",))
        yield [record.film, "", *_decision(decision), *[None] * (3 * len(reported))]
    for foot in record.feet:
        by_measure = {one.measure: one for one in foot.measurements}
        cells: Row = []
        for measure in reported:
            one = by_measure.get(measure.name)
            if one is None or foot.decision.outcome is Outcome.REFUSED:
                cells += [None, None, None]
            else:
                cells += [round(number, _DECIMALS) for number in (one.value, one.low, one.high)]
        yield [record.film, foot.landmarks.foot.side, *_decision(foot.decision), *cells]


def measurements_rows(record: FilmRecord) -> Iterator[Row]:
    """One row a foot and measure, in the protocol's order; empty cells where withheld, no row if refused."""
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


def films_row(record: FilmRecord, film: Film | None) -> Row:
    """The film's own line: feet found, caveats of the file, seconds spent on it, and what the film was.

    Digest, size and spacing are those of the pixels that the landmarks lie on; empty where there were none.
    """
    seconds = sum((record.seconds or {}).values())
    row: Row = [record.film, len(record.feet), "; ".join(record.remarks), round(seconds, 3)]
    if film is None:
        return [*row, *[None] * (len(FILMS_HEADER) - len(row))]
    spacing = film.spacing
    size = (*film.pixels.shape, spacing.row_mm, spacing.column_mm, spacing.aspect)
    return [*row, film.sha256, *size, spacing.kind.value]


def crops_rows(record: FilmRecord, size: tuple[int, int]) -> Iterator[Row]:
    """Corners of the upright crop that the landmark network saw of each foot, refused ones too, in film pixels.

    Parameters
    ----------
    size : (int, int)
        Rows and columns of the crop.
    """
    rows, columns = size
    corners = np.array([[0, 0, 1], [columns - 1, 0, 1], [columns - 1, rows - 1, 1], [0, rows - 1, 1]], dtype=float)
    for index, foot in enumerate(record.feet):
        found = foot.landmarks.foot
        place = (corners @ np.asarray(found.film_from_crop).T)[:, :2]
        yield [record.film, found.side, index, *(round(float(v), 1) for v in place.ravel())]


def _decision(decision: Decision) -> tuple[str, str]:
    return decision.outcome.value, "; ".join(decision.reasons)

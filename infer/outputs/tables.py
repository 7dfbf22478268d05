"""``feet.csv``, ``measurements.csv`` and ``films.csv``: what stands in a row."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from raysplay.infer.decide.decision import no_foot
from raysplay.infer.decide.wording import DECIMALS
from raysplay.infer.films.film import Film
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import BeamAngle, Decision, FilmRecord, Measurement, Outcome, Withheld
from raysplay.measure import Measure, by_name

if TYPE_CHECKING:
    from raysplay.infer.results import MeasuredValue

Row = list[str | float | int | None]

FEET_ABOUT = ("film", "foot", "foot_index", "decision", "reasons", "reason_kinds")
"""Columns of ``feet.csv`` before its numbers; as many kinds as reasons."""

BEAM = ("beam_angle", "beam_angle_low", "beam_angle_high")
"""How far the beam leant toward the heel where it met the foot, and its interval: whole degrees, unproven. Only of
accepted feet, and empty where it cannot be told. It is no measure of the foot and by itself decides nothing."""

FEET_NOTES = ("withheld", "unproven", "low_confidence", *BEAM, "overlay")
"""Columns of ``feet.csv`` after its numbers: measures that have none, each with the reason's name; of those that have
one, which are unproven and which are known to be read badly; :data:`BEAM`; the picture, as a path in the run's
folder."""

FEET_ADDED = BEAM
"""Columns of ``feet.csv`` that runs of this format from before they were added lack."""

NUMBER_ENDS = ("", "_low", "_high")
"""What a measure's name is followed by in the names of its columns in ``feet.csv``."""

MEASUREMENTS_HEADER = (
    "film",
    "foot",
    "foot_index",
    "measure",
    "value",
    "unit",
    "low",
    "high",
    "construction",
    "decision",
    "withheld",
    "proof",
    "confidence",
    "overlay",
)
_JOINT = "; "
PROVEN, UNPROVEN = "proven", "unproven"
LOW = "low"
FILMS_HEADER = (
    "film",
    "feet",
    "remarks",
    "remark_kinds",
    "sha256",
    "rows",
    "columns",
    "row_mm",
    "column_mm",
    "aspect",
    "spacing",
    "person",
    "taken",
    "loading",
    "sex",
    "age",
)
"""``person`` is a code that films of one person share within the run, ``taken`` the day; both empty where unknown.
``loading`` is how the foot was loaded by the file's own statements and by words on the film, ``sex`` and ``age`` (a
band of years) what the file states of the person; empty where it states none."""

FILMS_ADDED = ("sex", "age")
"""Columns of ``films.csv`` that runs of this format from before they were added lack."""

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


def number_columns(reported: Sequence[Measure]) -> tuple[str, ...]:
    """Columns of numbers in ``feet.csv``: value, low and high of each reported measure, in its unit.

    Examples
    --------
    >>> from raysplay.measure import by_name
    >>> number_columns([by_name("hva")])
    ('hva', 'hva_low', 'hva_high')
    """
    return tuple(f"{measure.name}{end}" for measure in reported for end in NUMBER_ENDS)


def feet_header(reported: Sequence[Measure]) -> tuple[str, ...]:
    """Columns of ``feet.csv``."""
    return (*FEET_ABOUT, *number_columns(reported), *FEET_NOTES)


def feet_rows(record: FilmRecord, reported: Sequence[Measure], overlays: Sequence[str] = ()) -> Iterator[Row]:
    """One row a foot, or one for the film where it yielded none; a refused foot has no numbers.

    Parameters
    ----------
    overlays : sequence of str
        Paths of the feet's pictures; empty where none were drawn.
    """
    if not record.feet:
        decision = record.decision or no_foot()
        yield [record.film, "", None, *_decision(decision), *[None] * (3 * len(reported)), *[""] * len(FEET_NOTES)]
    for index, foot in enumerate(record.feet):
        given = () if foot.decision.outcome is Outcome.REFUSED else foot.measurements
        by_measure = {one.measure: one for one in given}
        cells: Row = []
        for measure in reported:
            one = by_measure.get(measure.name)
            cells += [None, None, None] if one is None else _rounded(one)
        yield [
            record.film,
            foot.landmarks.foot.side,
            index,
            *_decision(foot.decision),
            *cells,
            withheld_cell(given),
            _JOINT.join(one.measure for one in given if one.withheld is None and not one.proven),
            _JOINT.join(one.measure for one in given if one.withheld is None and _low_confidence(one)),
            *beam_cells(foot.beam),
            _picture(overlays, index),
        ]


def beam_cells(beam: BeamAngle | None) -> tuple[int | None, ...]:
    """The cells of :data:`BEAM`: whole degrees, empty where there is none."""
    return (None,) * len(BEAM) if beam is None else tuple(round(one) for one in (beam.value, beam.low, beam.high))


def measurements_rows(record: FilmRecord, overlays: Sequence[str] = ()) -> Iterator[Row]:
    """One row a foot and measure, in the protocol's order; empty cells where withheld, no row if refused.

    Parameters
    ----------
    overlays : sequence of str
        As for :func:`feet_rows`.
    """
    for index, foot in enumerate(record.feet):
        if foot.decision.outcome is Outcome.REFUSED:
            continue
        for one in foot.measurements:
            value, low, high = _rounded(one)
            yield [
                record.film,
                foot.landmarks.foot.side,
                index,
                one.measure,
                value,
                one.unit,
                low,
                high,
                one.construction,
                foot.decision.outcome.value,
                one.withheld.value if one.withheld else "",
                PROVEN if one.proven else UNPROVEN,
                LOW if _low_confidence(one) else "",
                _picture(overlays, index),
            ]


def withheld_cell(measurements: Iterable[Measurement | MeasuredValue]) -> str:
    """Measures without a number and why, as ``feet.csv`` has them: ``ima45:wide_interval; hia:no_points``."""
    return _JOINT.join(f"{one.measure}:{one.withheld.value}" for one in measurements if one.withheld)


def read_reasons(texts: str, kinds: str) -> tuple[Reason, ...]:
    """Reasons by their two cells in ``feet.csv``, without numbers.

    Raises
    ------
    ValueError
        If there are not as many kinds as reasons, or a kind is none of this version.
    """
    return tuple(Reason(ReasonKind(kind), text) for text, kind in _pairs(texts, kinds))


def read_remarks(texts: str, kinds: str) -> tuple[Remark, ...]:
    """Remarks by their two cells in ``films.csv``.

    Raises
    ------
    ValueError
        As :func:`read_reasons`.
    """
    return tuple(Remark(RemarkKind(kind), text) for text, kind in _pairs(texts, kinds))


def _pairs(texts: str, kinds: str) -> Iterator[tuple[str, str]]:
    return zip(*(cell.split(_JOINT) if cell else [] for cell in (texts, kinds)), strict=True)


def read_withheld_cell(text: str) -> dict[str, Withheld]:
    """What :func:`withheld_cell` wrote, by measure.

    Raises
    ------
    ValueError
        If the text is not such a cell.
    """
    pairs = (part.split(":") for part in text.split(_JOINT) if part)
    return {measure: Withheld(why) for measure, why in pairs}


def _low_confidence(one: Measurement) -> bool:
    return by_name(one.measure, one.construction).low_confidence


def _rounded(one: Measurement) -> list[float]:
    return [round(number, DECIMALS[one.unit]) for number in (one.value, one.low, one.high)]


def _picture(overlays: Sequence[str], index: int) -> str:
    return overlays[index] if index < len(overlays) else ""


def films_row(record: FilmRecord, film: Film | None) -> Row:
    """The film's own line: feet found, caveats of the file, and what the film was.

    No time stands in it: the same films give the same bytes. What a film took is in the ledger (``raysplay status``).

    Digest, size and spacing are those of the pixels that the landmarks lie on; empty where there were none, and so are
    person, day, sex and age.
    """
    row: Row = [record.film, len(record.feet), *said(record.remarks)]
    if film is None:
        return [*row, *[None] * (len(FILMS_HEADER) - len(row))]
    spacing = film.spacing
    size = (*film.pixels.shape, spacing.row_mm, spacing.column_mm, spacing.aspect)
    stated = (film.person, film.taken, film.loading.value, film.sex, film.age)
    return [*row, film.sha256, *size, spacing.kind.value, *stated]


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


def _decision(decision: Decision) -> tuple[str, str, str]:
    return (decision.outcome.value, *said(decision.reasons))


def said(about: Sequence[Reason] | Sequence[Remark]) -> tuple[str, str]:
    """The sentences in one cell, their kinds in another."""
    return joined(one.text for one in about), joined(one.kind.value for one in about)


def joined(sentences: Iterable[str]) -> str:
    """Sentences in one cell; a file's name in one of them may hold what joins them."""
    return _JOINT.join(sentence.replace(_JOINT, ", ") for sentence in sentences)

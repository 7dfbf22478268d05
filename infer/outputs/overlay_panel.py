"""The text beside the picture of a foot: what was read, how sure it is, by which axes, and why a person should look."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image, ImageDraw

from raysplay.configs.reference_values import reference_values
from raysplay.infer.decide.wording import level_words, number
from raysplay.infer.outputs.angle_arcs import DrawnAxis
from raysplay.infer.outputs.overlay_style import (
    ACCEPTED,
    ARC,
    DOUBT,
    GROUND,
    QUIET,
    RULE,
    TEXT,
    Colour,
    axis_colour,
    printable,
    text_width,
    wrapped,
    write,
)
from raysplay.infer.records import FloatArray, FootRecord, Measurement, Outcome
from raysplay.measure import by_name
from raysplay.measure.sides import foot_words

CAUTION = "A person confirms every number used in care."

WIDTH = 400
_EDGE = 24
_NAME = 112
"""Width that a name may have to stand beside its value."""

_Draw = Callable[[ImageDraw.ImageDraw, float], None]


@dataclass(frozen=True)
class Row:
    """One measure in the panel: its name, its value or ``withheld``, its interval, and lines below it."""

    name: str
    value: str
    interval: str
    notes: tuple[str, ...] = ()


def rows(measurements: Collection[Measurement]) -> list[Row]:
    """Rows of the measures, in their order.

    What else a reader must know of one number goes into ``notes``, a line each: a mark that the measure carries, what
    is published of it, or why it is withheld.
    """
    made = []
    for one in measurements:
        measure = by_name(one.measure)
        notes = ["low confidence"] if measure.low_confidence else []
        if not np.isfinite(one.value):
            why = [one.withheld.words] if one.withheld else []
            made.append(Row(measure.abbreviation, "withheld", "", tuple(why + notes)))
            continue
        if not one.proven:
            notes.insert(0, "unproven: its error on real bones is unknown or too large")
        if one.measure in reference_values():
            notes.append(reference_values()[one.measure].brief)
        interval = f"{_number(one.low, one.unit)} to {_number(one.high, one.unit)}"
        made.append(Row(measure.abbreviation, value_words(one), interval, tuple(notes)))
    return made


def value_words(one: Measurement) -> str:
    """A value with its unit, as label and row have it."""
    return (
        f"{_number(one.value, one.unit)}{'°' if one.unit == 'deg' else '' if one.unit == 'ratio' else ' ' + one.unit}"
    )


def _number(value: float, unit: str) -> str:
    """A number without the sign of one that rounds to nothing."""
    text = number(value, unit)
    return text.removeprefix("-") if float(text) == 0.0 else text


def interval_words(level: float) -> str:
    """What stands beside a value."""
    return f"value with its {level_words(level)} interval"


def construction_words(measurements: Collection[Measurement]) -> list[str]:
    """A line for each construction of the measures shown, with their names where there are several."""
    names: dict[str, list[str]] = {}
    for one in measurements:
        names.setdefault(one.construction, []).append(by_name(one.measure).abbreviation)
    if len(names) == 1:
        return [f"axes: {next(iter(names))}"]
    return [f"axes of {', '.join(of)}: {construction}" for construction, of in names.items()]


class _Sheet:
    """Blocks one below the other; drawn once their height is known."""

    def __init__(self) -> None:
        self._blocks: list[tuple[float, _Draw]] = []
        self.height = float(_EDGE)

    def add(self, height: float, draw: _Draw) -> None:
        self._blocks.append((self.height, draw))
        self.height += height

    def gap(self, height: float) -> None:
        self.height += height

    def line(self, text: str, size: int, colour: Colour, *, indent: float = 0.0, step: float | None = None) -> None:
        height = step or 1.36 * size
        self.add(height, lambda draw, y: write(draw, _EDGE + indent, y + height / 2, text, size, colour))

    def text(self, text: str, size: int, colour: Colour, *, indent: float = 0.0) -> None:
        for one in wrapped(printable(text) if not text.isascii() else text, size, WIDTH - 2 * _EDGE - indent):
            self.line(one, size, colour, indent=indent)

    def rule(self) -> None:
        self.add(21, lambda draw, y: draw.line((_EDGE, y + 8, WIDTH - _EDGE, y + 8), fill=RULE, width=1))

    def image(self, least: int) -> Image.Image:
        panel = Image.new("RGB", (WIDTH, max(least, int(self.height) + _EDGE)), GROUND)
        draw = ImageDraw.Draw(panel)
        for y, block in self._blocks:
            block(draw, y)
        return panel


def panel(
    name: str, foot: FootRecord, axes: Sequence[DrawnAxis] | None, doubtful: bool, level: float, least: int
) -> Image.Image:
    """The panel of one foot.

    Parameters
    ----------
    name : str
        Name of the film.
    foot : FootRecord
    axes : sequence of DrawnAxis or None
        Axes in the picture; None for a foot that was not measured.
    doubtful : bool
        Whether a point is marked as doubtful.
    level : float
        Of the intervals.
    least : int
        Height of the picture beside it.
    """
    sheet = _Sheet()
    for line in _ending(printable(name)):
        sheet.line(line, 17, QUIET)
    sheet.gap(4)
    sheet.line(foot_words(foot.landmarks.foot.side).capitalize(), 28, TEXT)
    sheet.add(36, lambda draw, y: _outcome(draw, foot.decision.outcome, y))
    if axes is not None:
        sheet.rule()
        for row in rows(foot.measurements):
            if text_width(row.name, 17) > _NAME:
                sheet.line(row.name, 17, TEXT)
                row = replace(row, name="")
            sheet.add(32, lambda draw, y, row=row: _row(draw, row, y))  # type: ignore[misc]
            for note in row.notes:
                sheet.text(note, 15, QUIET)
            sheet.gap(6 if row.notes else 1)
        for words in (interval_words(level), *construction_words(foot.measurements)):
            sheet.text(words, 15, QUIET)
    if foot.decision.reasons:
        sheet.rule()
        for reason in foot.decision.reasons:
            sheet.text(reason.text, 17, TEXT)
            sheet.gap(7)
    if axes or (axes is not None and doubtful):
        sheet.rule()
        for axis in axes:
            sheet.add(26, lambda draw, y, axis=axis: _legend(draw, axis, y))  # type: ignore[misc]
    if axes:
        sheet.add(26, _interval_legend)
    if axes is not None and doubtful:
        sheet.add(28, _doubtful_legend)
    sheet.rule()
    sheet.text(CAUTION, 17, TEXT)
    return sheet.image(least)


def _outcome(draw: ImageDraw.ImageDraw, outcome: Outcome, y: float) -> None:
    """The decision as a word and a shape: disc accepted, diamond review, square refused."""
    x, middle, r = float(_EDGE), y + 18, 8.0
    if outcome is Outcome.ACCEPTED:
        draw.ellipse((x, middle - r, x + 2 * r, middle + r), outline=ACCEPTED, width=4)
    elif outcome is Outcome.REVIEW:
        corners = [(x + r, middle - r - 1), (x + 2 * r + 1, middle), (x + r, middle + r + 1), (x - 1, middle)]
        draw.polygon(corners, outline=DOUBT, width=3)
    else:
        draw.rectangle((x, middle - r, x + 2 * r, middle + r), fill=QUIET)
    write(draw, x + 28, middle, outcome.value, 24, TEXT)


def _row(draw: ImageDraw.ImageDraw, row: Row, y: float) -> None:
    middle, right = y + 16, WIDTH - _EDGE
    size = 22 if text_width(row.name, 22) <= _NAME else 17
    write(draw, _EDGE, middle, row.name, size, TEXT)
    if row.interval:
        write(draw, 210, middle, row.value, 22, TEXT, right=True)
        write(draw, right, middle + 1, row.interval, 19, QUIET, right=True)
    else:
        write(draw, right, middle, row.value, 20, QUIET, right=True)


def _legend(draw: ImageDraw.ImageDraw, axis: DrawnAxis, y: float) -> None:
    colour = axis_colour(axis.axis.bone)
    draw.line((_EDGE, y + 13, _EDGE + 26, y + 13), fill=colour, width=4)
    write(draw, _EDGE + 36, y + 13, axis.tag, 17, colour)
    x = _EDGE + max(80.0, 46.0 + text_width(axis.tag, 17))
    write(draw, x, y + 13, axis.axis.name.removeprefix("axis of the "), 16, QUIET)


def _interval_legend(draw: ImageDraw.ImageDraw, y: float) -> None:
    draw.line((_EDGE + 2, y + 13, _EDGE + 24, y + 13), fill=ARC, width=2)
    for x in (_EDGE + 2, _EDGE + 24):
        draw.line((x, y + 6, x, y + 20), fill=ARC, width=2)
    write(draw, _EDGE + 36, y + 13, "interval of the angle", 17, QUIET)


def _doubtful_legend(draw: ImageDraw.ImageDraw, y: float) -> None:
    draw_diamond(draw, np.array([_EDGE + 13.0, y + 14.0]), 10, 2)
    write(draw, _EDGE + 36, y + 14, "doubtful point", 17, QUIET)


def draw_diamond(draw: ImageDraw.ImageDraw, at: FloatArray, radius: float, width: int) -> None:
    """Mark of a doubtful point: a diamond with a cross, told from others without colour.

    Parameters
    ----------
    draw : ImageDraw
    at : ndarray, shape (2,)
        x and y of its middle in pixels of what is drawn on.
    radius : float
        From the middle to a corner, in the same pixels.
    width : int
        Of its lines; below them lies ground of twice that width.
    """
    x, y = at
    corners = [(x, y - radius), (x + radius, y), (x, y + radius), (x - radius, y), (x, y - radius)]
    for colour, thick in ((GROUND, width * 2), (DOUBT, width)):
        draw.line(corners, fill=colour, width=thick, joint="curve")
        draw.line(((x - radius / 2, y), (x + radius / 2, y)), fill=colour, width=thick)
        draw.line(((x, y - radius / 2), (x, y + radius / 2)), fill=colour, width=thick)


def _ending(name: str) -> list[str]:
    """Two lines at most; of a long name its end, since paths differ there."""
    width = WIDTH - 2 * _EDGE
    lines = wrapped(name, 17, width)
    while len(lines) > 2:
        name = "..." + name.removeprefix("...")[max(1, len(name) // 20) :]
        lines = wrapped(name, 17, width)
    return lines

"""The flow of films and feet as a drawing: what goes on stands in the middle, what is left out at its right.

Boxes and arrows after the flow diagrams of reporting guidance (STARD 2015; from memory); black on white.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from raysplay.infer.agreement.flow import COMPARED, FEET_READ, FILMS_OF_RUN, FILMS_READ, NOBODY_READ, FlowStep
from raysplay.infer.report.document import Picture
from raysplay.infer.report.plot import plot

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_MM = 170.0
_LINE_MM, _GAP_MM, _PAD_MM = 3.6, 7.0, 1.6
_MAIN = 4.0, 84.0
"""Left edge and width of the boxes of what goes on, mm."""
_SIDE = 98.0, 70.0
_LETTERS_MAIN, _LETTERS_SIDE = 58, 50


@dataclass
class _Box:
    """Lines of what goes on, and of what leaves there."""

    lines: list[str]
    out: list[str] = field(default_factory=list)

    @property
    def height(self) -> float:
        return max(len(self.lines), len(self.out)) * _LINE_MM + 2 * _PAD_MM


def flow_diagram(steps: Sequence[FlowStep]) -> Picture:
    """Films, feet and numbers from the tables to the comparison.

    Parameters
    ----------
    steps : sequence of FlowStep
        As :func:`~raysplay.infer.agreement.flow.flow` counts them.
    """
    boxes = _boxes(steps)
    height = sum(box.height for box in boxes) + _GAP_MM * (len(boxes) - 1) + 2.0

    def paint(figure: Figure) -> None:
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_xlim(0, _WIDTH_MM)
        axes.set_ylim(0, height)
        axes.set_axis_off()
        top = height - 1.0
        for number, box in enumerate(boxes):
            _draw(axes, box, top, last=number == len(boxes) - 1)
            top -= box.height + _GAP_MM

    said = "; ".join(" ".join(box.lines) + (f" (left out: {', '.join(box.out)})" if box.out else "") for box in boxes)
    caption = f"Flow of films, feet and numbers. In words: {said}."
    return replace(plot(paint, _WIDTH_MM, height, font_size=7.0, layout=None), caption=caption)


def _boxes(steps: Sequence[FlowStep]) -> list[_Box]:
    """One box for each thing that is counted; what leads out of the study beside it."""
    boxes: list[_Box] = []
    by_name: dict[str, _Box] = {}
    of_measures: dict[str, list[FlowStep]] = {}
    of_run = {step.what: step.count for step in steps if step.what in (FILMS_OF_RUN, NOBODY_READ)}
    for step in steps:
        if step.what in of_run:
            continue
        if step.measure:
            of_measures.setdefault(step.measure, []).append(step)
        elif step.out:
            if step.count:
                by_name[step.of].out += textwrap.wrap(f"{step.count} {step.unit}: {step.what}", _LETTERS_SIDE)
        elif step.of == FEET_READ:
            if step.count:
                by_name[FEET_READ].lines.append(f"    {step.what}: {step.count}")
        else:
            said = f"{step.what}: {step.count}"
            if step.what == FILMS_READ and of_run:
                said += f" of {of_run[FILMS_OF_RUN]} films of the run ({of_run[NOBODY_READ]} read by nobody)"
            by_name[step.what] = _Box(textwrap.wrap(said, _LETTERS_MAIN))
            boxes.append(by_name[step.what])
    measures = _Box([])
    for those in of_measures.values():
        first, *fates = those
        line = f"{first.what}: {first.count}"
        for fate in fates:
            if not fate.out:
                line += f"; {COMPARED}: {fate.count}"
            elif fate.count:
                measures.out += textwrap.wrap(f"{fate.count} feet: {fate.what}", _LETTERS_SIDE)
        measures.lines += textwrap.wrap(line, _LETTERS_MAIN)
    return [*boxes, measures] if measures.lines else boxes


def _draw(axes: Axes, box: _Box, top: float, *, last: bool) -> None:
    _box(axes, _MAIN, top, box.height, box.lines)
    middle = _MAIN[0] + _MAIN[1] / 2
    if not last:
        _arrow(axes, (middle, top - box.height), (middle, top - box.height - _GAP_MM))
    if box.out:
        height = len(box.out) * _LINE_MM + 2 * _PAD_MM
        _box(axes, _SIDE, top, height, box.out, dashed=True)
        level = top - height / 2
        _arrow(axes, (_MAIN[0] + _MAIN[1], level), (_SIDE[0], level))


def _box(
    axes: Axes, place: tuple[float, float], top: float, height: float, lines: Sequence[str], *, dashed: bool = False
) -> None:
    from matplotlib.patches import Rectangle

    left, width = place
    stroke = (0, (3, 2)) if dashed else "solid"
    axes.add_patch(
        Rectangle((left, top - height), width, height, fill=False, edgecolor="black", lw=0.8, linestyle=stroke)
    )
    for number, line in enumerate(lines):
        axes.text(left + 2.0, top - _PAD_MM - _LINE_MM * (number + 0.5), line, va="center", ha="left", color="black")


def _arrow(axes: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    axes.annotate(
        "", end, start, arrowprops={"arrowstyle": "-|>", "color": "black", "lw": 0.8, "shrinkA": 0, "shrinkB": 0}
    )

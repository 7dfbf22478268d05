"""A flow as a drawing: what goes on stands in the middle, what is left out at its right.

Boxes and arrows after the flow diagrams of reporting guidance (STARD 2015; from memory); black on white.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

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
class Box:
    """What goes on, and what leaves there: items of a line each, or of several where they are long."""

    items: list[str]
    out: list[str] = field(default_factory=list)

    @property
    def lines(self) -> list[str]:
        """Of what goes on, as drawn."""
        return [line for item in self.items for line in textwrap.wrap(item, _LETTERS_MAIN)]

    @property
    def out_lines(self) -> list[str]:
        """Of what leaves, as drawn."""
        return [line for item in self.out for line in textwrap.wrap(item, _LETTERS_SIDE)]

    @property
    def height(self) -> float:
        """On paper, mm."""
        return max(len(self.lines), len(self.out_lines)) * _LINE_MM + 2 * _PAD_MM

    @property
    def words(self) -> str:
        """All of it in one sentence."""
        said = "; ".join(item.strip() for item in self.items)
        return f"{said} (left out: {'; '.join(self.out)})" if self.out else said


def box_diagram(boxes: Sequence[Box], flow_of: str, *, paper: bool = True) -> Picture:
    """The drawing, and all of it in words as its caption.

    Parameters
    ----------
    boxes : sequence of Box
        From top to foot.
    flow_of : str
        What flows, for the caption.
    paper : bool
        As for :func:`~raysplay.infer.report.plot.plot`.
    """
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

    caption = f"Flow of {flow_of}. In words: {'. '.join(box.words for box in boxes)}."
    return replace(plot(paint, _WIDTH_MM, height, font_size=7.0, layout=None, paper=paper), caption=caption)


def _draw(axes: Axes, box: Box, top: float, *, last: bool) -> None:
    _box(axes, _MAIN, top, box.height, box.lines)
    middle = _MAIN[0] + _MAIN[1] / 2
    if not last:
        _arrow(axes, (middle, top - box.height), (middle, top - box.height - _GAP_MM))
    if box.out:
        height = len(box.out_lines) * _LINE_MM + 2 * _PAD_MM
        _box(axes, _SIDE, top, height, box.out_lines, dashed=True)
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

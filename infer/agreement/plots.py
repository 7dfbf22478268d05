"""Plots of one measure: black on white, told apart by line and mark, so that print and grey lose nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from raysplay.infer.report.document import Picture
from raysplay.infer.report.plot import plot

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = npt.NDArray[np.float64]

_WIDTH_MM, _HEIGHT_MM = 170.0, 150.0
_DOTS_AS_PICTURE = 400
"""From so many dots on they are drawn as a picture: as vectors they would make the page slow."""

_MARKS = ("o", "^", "s", "x", "D", "+", "v", "*")
_STROKES = ("-", "--", "-.", ":")


@dataclass(frozen=True)
class Line:
    """``intercept + slope x``, with what it is."""

    name: str
    intercept: float
    slope: float


@dataclass(frozen=True)
class Level:
    """A level of differences with its interval; ``nan`` is not drawn."""

    name: str
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class MeasurePlots:
    """What is drawn of one measure; all arrays of shape (n,), one entry a foot.

    Attributes
    ----------
    measure, unit : str
        Abbreviation, and unit in words.
    first, second : str
        What is compared; differences are the first less the second.
    x, y : ndarray
        Numbers of the second and of the first.
    feet : ndarray of int
        Which feet of the study these are.
    marks : ndarray of int
        Which of ``mark_names`` a foot is.
    mark_names : sequence of str
    levels : sequence of Level
    lines : sequence of Line
    review : mapping
        Share sent to a person, and mean absolute error left, in both of two orders; may be empty.
    groups : sequence of (str, Level)
        Bias of groups of feet.
    """

    measure: str
    unit: str
    first: str
    second: str
    x: FloatArray
    y: FloatArray
    feet: npt.NDArray[np.int64]
    marks: npt.NDArray[np.int64]
    mark_names: Sequence[str]
    levels: Sequence[Level]
    lines: Sequence[Line]
    review: Mapping[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    groups: Sequence[Level] = ()


def draw(plots: MeasurePlots) -> Picture:
    """Four plots in one drawing: differences, scatter, error by share reviewed, bias by group."""

    def paint(figure: Figure) -> None:
        axes = figure.subplots(2, 2)
        _differences(axes[0, 0], plots)
        _scatter(axes[0, 1], plots)
        _review(axes[1, 0], plots)
        _groups(axes[1, 1], plots)

    caption = (
        f"{plots.measure}, {plots.first} and {plots.second}, {len(plots.x)} feet. Upper left: difference by mean, with "
        "mean difference and limits of agreement (lines) and their intervals (bands). Upper right: each foot, with the "
        "line of equality and regression lines. Lower left: error that stays as the doubtful share goes to a person. "
        "Lower right: mean difference by group, with intervals."
    )
    picture = plot(paint, _WIDTH_MM, _HEIGHT_MM, font_size=7.0, style={"axes.titlesize": 8.0})
    return replace(picture, caption=caption)


def _dots(axes: Axes, x: FloatArray, y: FloatArray, plots: MeasurePlots) -> None:
    many = len(x) > _DOTS_AS_PICTURE
    for number, name in enumerate(plots.mark_names):
        chosen = plots.marks == number
        if chosen.any():
            mark = _MARKS[number % len(_MARKS)]
            look: dict[str, Any] = {"color": "0.25"} if mark in "x+" else {"facecolors": "none", "edgecolors": "0.25"}
            axes.scatter(
                x[chosen],
                y[chosen],
                s=5 if many else 12,
                marker=mark,
                linewidths=0.6,
                label=name,
                rasterized=many,
                **look,
            )


def _differences(axes: Axes, plots: MeasurePlots) -> None:
    mean, difference = 0.5 * (plots.x + plots.y), plots.y - plots.x
    for number, level in enumerate(plots.levels):
        if not np.isfinite(level.value):
            continue
        if np.isfinite(level.low) and np.isfinite(level.high):
            axes.axhspan(level.low, level.high, color="0.88", lw=0)
        axes.axhline(level.value, color="black", linestyle="-" if number == 0 else "--", zorder=3)
        axes.annotate(
            f"{level.value:+.2f}",
            (1.0, level.value),
            xycoords=("axes fraction", "data"),
            ha="right",
            va="bottom",
            zorder=4,
            bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
        )
    axes.axhline(0.0, color="0.5", linewidth=0.5)
    _dots(axes, mean, difference, plots)
    axes.set_xlabel(f"mean of {plots.first} and {plots.second} ({plots.unit})")
    axes.set_ylabel(f"{plots.first} less {plots.second} ({plots.unit})")
    axes.set_title("Difference by mean", loc="left")
    if len(plots.mark_names) > 1:
        axes.legend(frameon=True, framealpha=0.8, fontsize=6, loc="upper left")


def _scatter(axes: Axes, plots: MeasurePlots) -> None:
    ends = np.array([min(plots.x.min(), plots.y.min()), max(plots.x.max(), plots.y.max())])
    axes.plot(ends, ends, color="0.6", linewidth=0.8, label="equality")
    for number, line in enumerate(plots.lines):
        if np.isfinite(line.intercept) and np.isfinite(line.slope):
            stroke = _STROKES[(number + 1) % len(_STROKES)]
            axes.plot(ends, line.intercept + line.slope * ends, color="black", linestyle=stroke, label=line.name)
    _dots(axes, plots.x, plots.y, plots)
    axes.set_xlabel(f"{plots.second} ({plots.unit})")
    axes.set_ylabel(f"{plots.first} ({plots.unit})")
    axes.set_title("Each foot", loc="left")
    axes.set_aspect("equal", adjustable="datalim")
    handles, names = axes.get_legend_handles_labels()
    lines = [(h, n) for h, n in zip(handles, names, strict=True) if n not in plots.mark_names]
    axes.legend(*zip(*lines, strict=True), frameon=True, framealpha=0.8, fontsize=6, loc="upper left")


def _review(axes: Axes, plots: MeasurePlots) -> None:
    axes.set_title("Error that stays, by share sent to a person", loc="left")
    if not plots.review:
        _nothing(axes, "no run, or too few feet")
        return
    for number, (name, (share, error)) in enumerate(plots.review.items()):
        axes.plot(100 * share, error, color="black", linestyle=_STROKES[number % len(_STROKES)], label=name)
    axes.set_xlabel("share sent to a person (%)")
    axes.set_ylabel(f"mean absolute error left ({plots.unit})")
    axes.set_ylim(bottom=0)
    axes.legend(frameon=False, fontsize=6)


def _groups(axes: Axes, plots: MeasurePlots) -> None:
    axes.set_title("Mean difference by group", loc="left")
    if not plots.groups:
        _nothing(axes, "no groups")
        return
    places = np.arange(len(plots.groups))[::-1]
    for place, level in zip(places, plots.groups, strict=True):
        if np.isfinite(level.value):
            axes.plot(level.value, place, "o", color="black", markersize=3)
        if np.isfinite(level.low) and np.isfinite(level.high):
            axes.plot([level.low, level.high], [place, place], color="black", linewidth=0.8)
    axes.axvline(0.0, color="0.5", linewidth=0.5)
    axes.set_yticks(places, [level.name for level in plots.groups])
    axes.set_ylim(-0.7, len(plots.groups) - 0.3)
    axes.set_xlabel(f"{plots.first} less {plots.second} ({plots.unit})")


def _nothing(axes: Axes, why: str) -> None:
    axes.text(0.5, 0.5, why, ha="center", va="center", transform=axes.transAxes, color="0.3")
    axes.set_xticks([])
    axes.set_yticks([])

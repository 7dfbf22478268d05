"""Drawings of a run: the flow of files, and how a measure spreads. Black, grey and hatching; no colour is needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from raysplay.infer.decide.wording import unit_word
from raysplay.infer.overview.fates import Fate, Flow
from raysplay.infer.overview.spread import Spread
from raysplay.infer.overview.words import counted
from raysplay.infer.records import OUTCOMES
from raysplay.infer.report.boxes import Box, box_diagram
from raysplay.infer.report.document import Picture
from raysplay.infer.report.plot import plot
from raysplay.measure import Measure
from raysplay.measure.normal_range import NormalRange

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FloatArray = npt.NDArray[np.float64]

_WIDTH_MM, _BARS_MM, _ROW_MM, _EDGES_MM = 170.0, 52.0, 4.2, 16.0
_BINS = 40
_DRAWN = 0.1, 99.9
"""Percentiles between which values are drawn, so that a few odd values do not press all others together."""


def flow_picture(flow: Flow) -> Picture:
    """Files from the list to numbers, as boxes."""
    accepted, review, refused = (flow.feet[name] for name in OUTCOMES)
    listed = Box([f"files listed: {flow.files:,}"])
    for fate in Fate:
        if not fate.is_film and flow.fates[fate]:
            listed.out.append(f"{counted(flow.fates[fate], 'file')}: {fate.value}")
    films = Box([f"films looked at: {flow.films:,}"])
    if flow.fates[Fate.NO_FOOT]:
        films.out.append(f"{counted(flow.fates[Fate.NO_FOOT], 'film')}: no foot that could be told")
    feet = Box([f"feet found: {flow.feet_found:,}, on {counted(flow.fates[Fate.FEET], 'film')}"])
    if refused:
        feet.out.append(f"{counted(refused, 'foot', 'feet')}: refused, without numbers")
    measured = Box([f"measured feet: {accepted + review:,}"])
    measured.items += [f"    accepted: {accepted:,}", f"    sent to review: {review:,}"]
    return box_diagram((listed, films, feet, measured), "files, films and feet", paper=False)


def measure_picture(
    measure: Measure,
    accepted: FloatArray,
    review: FloatArray,
    spreads: Sequence[Spread],
    normal: NormalRange | None,
) -> Picture | None:
    """Numbers of a measure by value, and percentiles by group; None where there is no number.

    Parameters
    ----------
    measure : Measure
    accepted, review : ndarray, shape (n,) and (m,)
        Finite, in the measure's unit.
    spreads : sequence of Spread
        Of this measure.
    normal : NormalRange or None
        Drawn behind.

    Returns
    -------
    Picture or None
    """
    values = np.concatenate([accepted, review])
    if not values.size:
        return None
    low = float(np.percentile(values, _DRAWN[0], method="lower"))
    high = float(np.percentile(values, _DRAWN[1], method="higher"))
    if high <= low:
        low, high = low - 0.5, high + 0.5
    beyond = int(((values < low) | (values > high)).sum())
    rows = [one for one in spreads if one.feet]
    height = _BARS_MM + _ROW_MM * len(rows) + _EDGES_MM

    def paint(figure: Figure) -> None:
        ratios = (_BARS_MM, max(_ROW_MM * len(rows), _ROW_MM))
        bars, strips = figure.subplots(2, 1, sharex=True, height_ratios=ratios)
        for axes in (bars, strips):
            _band(axes, normal)
        edges = np.linspace(low, high, _BINS + 1)
        inside = [one[(one >= low) & (one <= high)] for one in (accepted, review)]
        bars.hist(
            inside,
            bins=list(edges),
            stacked=True,
            histtype="barstacked",
            color=["0.35", "white"],
            edgecolor="black",
            linewidth=0.4,
            hatch=["", "//////"],
            label=["accepted", "review"],
            zorder=2,
        )
        bars.set_ylabel("feet")
        bars.legend(frameon=True, framealpha=0.9, fontsize=6, loc="upper right")
        _strips(strips, rows)
        strips.set_xlabel(f"{measure.abbreviation} ({unit_word(measure.unit)})")
        strips.set_xlim(low - 0.02 * (high - low), high + 0.02 * (high - low))

    said = (
        f"{measure.abbreviation} of {counted(values.size, 'foot', 'feet')}. Above: feet by value, accepted (dark) and "
        "review (hatched). Below: median (stroke), middle half (bar) and 5th to 95th percentile (line) by group, where "
        "enough feet are there."
    )
    if beyond:
        said += f" {counted(beyond, 'foot lies', 'feet lie')} beyond what is drawn."
    if normal is not None:
        said += f" Shaded behind: {range_words(normal, measure.unit)}, called normal by {normal.cited}."
    return replace(plot(paint, _WIDTH_MM, height, font_size=7.0, paper=False), caption=said)


def range_words(normal: NormalRange, unit: str) -> str:
    """A normal range in words: ``0 to 15 degrees``, ``up to 20 degrees``."""
    if np.isinf(normal.low):
        return f"up to {normal.high:g} {unit_word(unit)}"
    if np.isinf(normal.high):
        return f"from {normal.low:g} {unit_word(unit)} on"
    return f"{normal.low:g} to {normal.high:g} {unit_word(unit)}"


def _band(axes: Axes, normal: NormalRange | None) -> None:
    if normal is None:
        return
    far = 1e6
    low, high = max(normal.low, -far), min(normal.high, far)
    axes.axvspan(low, high, facecolor="0.88", edgecolor="none", zorder=0)
    for end in (low, high):
        axes.axvline(end, color="0.3", linestyle=(0, (4, 3)), linewidth=0.8, zorder=1)


def _strips(axes: Axes, rows: Sequence[Spread]) -> None:
    places = np.arange(len(rows))[::-1]
    for place, one in zip(places, rows, strict=True):
        least, lower, middle, upper, most = one.percentiles
        if np.isfinite(least) and np.isfinite(most):
            axes.plot([least, most], [place, place], color="black", linewidth=0.7, zorder=2)
        if np.isfinite(lower) and np.isfinite(upper):
            axes.barh(place, upper - lower, 0.5, left=lower, color="0.6", edgecolor="black", linewidth=0.5, zorder=3)
        axes.plot([middle, middle], [place - 0.36, place + 0.36], color="black", linewidth=1.6, zorder=4)
    axes.set_yticks(places, [f"{label(one)} ({one.feet:,})" for one in rows])
    axes.set_ylim(-0.7, len(rows) - 0.3)
    axes.tick_params(axis="y", length=0)


def label(one: Spread) -> str:
    """What a group is called beside others."""
    if one.by == "age in years":
        return f"age {one.group}"
    return f"sex {one.group}" if one.by == "sex" else one.group

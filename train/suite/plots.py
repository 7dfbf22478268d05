"""Plots of a suite."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from raysplay.infer.compare.errors import ErrorFigures
from raysplay.infer.decide.wording import level_words
from raysplay.measure import by_name
from raysplay.train.suite.figures import SuiteFigures
from raysplay.train.suite.folder import PLOTS

_COLOURS = ("#1b4965", "#c8553d", "#4a7c59", "#8d6a9f", "#b08900", "#5c6b73")
_MARKERS = ("o", "s", "^", "D", "v", "P")
_OUTCOMES = {"accepted": ("#4a7c59", ""), "review": ("#e0b84c", "//"), "refused": ("#8a8f94", "..")}


def plot_names(figures: SuiteFigures) -> list[str]:
    """Names of the plots that these figures give."""
    measured = any(one.n for condition in figures.conditions for one in condition.figures("all measured").values())
    together = figures.together is not None and bool(figures.curves)
    return [PLOTS[0], *PLOTS[1:2] * measured, *PLOTS[2:] * together]


def write_plots(figures: SuiteFigures, level: float, folder: Path) -> None:
    """Write the plots into ``folder``.

    Parameters
    ----------
    figures : SuiteFigures
    level : float
        What the intervals promise, drawn as a line.
    folder : Path
    """
    tall = (8.0, 1.2 + 0.34 * len(figures.conditions))
    drawn: dict[str, tuple[tuple[float, float], Callable[[Axes], None]]] = {
        PLOTS[0]: (tall, lambda axes: _outcomes(figures, axes)),
        PLOTS[1]: (tall, lambda axes: _coverage(figures, level, axes)),
        PLOTS[2]: ((8.0, 4.5), lambda axes: _severity(figures, axes)),
        PLOTS[3]: ((7.0, 4.5), lambda axes: _risk(figures, axes)),
    }
    for name in plot_names(figures):
        size, draw = drawn[name]
        figure = Figure(figsize=size, layout="constrained")
        FigureCanvasAgg(figure)
        axes = figure.add_subplot()
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        draw(axes)
        figure.savefig(folder / name, dpi=130)


def _outcomes(figures: SuiteFigures, axes: Axes) -> None:
    """Shares of accepted, review and refused, a bar a condition."""
    names = [one.name for one in figures.conditions]
    left = np.zeros(len(names))
    for outcome, (colour, hatch) in _OUTCOMES.items():
        share = np.array([100 * one.outcomes[outcome] / max(one.counted, 1) for one in figures.conditions])
        axes.barh(names, share, left=left, color=colour, hatch=hatch, edgecolor="white", label=outcome)
        left += share
    for label, one in zip(axes.get_yticklabels(), figures.conditions, strict=True):
        label.set_fontweight("normal" if one.expect == "measure" else "bold")
    axes.invert_yaxis()
    axes.set(xlim=(0, 100), xlabel="% of feet (bold: to be turned away, % of films)")
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)


def _coverage(figures: SuiteFigures, level: float, axes: Axes) -> None:
    """Share of truths held by their interval, by condition and measure, with its 95 % interval."""
    names = [one.name for one in figures.conditions]
    axes.axvspan(85, 95, color="#e8eef2", zorder=0)
    axes.axvline(100 * level, color="#5c6b73", linewidth=1)
    measures = list(figures.conditions[0].figures("all measured"))
    for k, measure in enumerate(measures):
        places, figures_of = [], []
        for place, one in enumerate(figures.conditions):
            all_feet = one.figures("all measured")[measure]
            if all_feet.n:
                places.append(place + 0.7 * ((k + 0.5) / len(measures) - 0.5))
                figures_of.append(all_feet)
        share = np.array([100 * f.coverage for f in figures_of])
        ends = np.array([[100 * f.coverage_low, 100 * f.coverage_high] for f in figures_of]).reshape(-1, 2).T
        axes.errorbar(
            share, places, xerr=np.abs(ends - share), fmt=_MARKERS[k % 6], color=_COLOURS[k % 6],
            markersize=4, linewidth=1, label=by_name(measure).abbreviation,
        )  # fmt: skip
    axes.set_yticks(range(len(names)), names)
    axes.set(
        xlim=(0, 102),
        ylim=(len(names) - 0.5, -0.5),
        xlabel=f"% of true values inside their {level_words(level)} interval",
    )
    axes.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=len(measures), frameon=False)


def _severity(figures: SuiteFigures, axes: Axes) -> None:
    """Mean absolute error and bias by band of true HVA, all conditions to be measured together."""
    assert figures.together is not None
    bands = figures.together.groups[2:]
    measures = list(figures.curves)
    for k, measure in enumerate(measures):
        at = np.arange(len(bands)) + 0.7 * ((k + 0.5) / len(measures) - 0.5)
        of: list[ErrorFigures] = [band.measures[measure] for band in bands]
        mae = np.array([f.mae for f in of])
        ends = np.array([[f.mae_low, f.mae_high] for f in of]).T
        axes.errorbar(
            at, mae, yerr=np.abs(ends - mae), fmt=_MARKERS[k % 6], color=_COLOURS[k % 6], markersize=6, capsize=3,
            label=f"{by_name(measure).abbreviation}: mean absolute error",
        )  # fmt: skip
        bias = [f.bias for f in of]
        axes.plot(at, bias, "_", color=_COLOURS[k % 6], markersize=14, markeredgewidth=2)
    axes.axhline(0, color="#5c6b73", linewidth=0.8)
    counts = [max(f.n for f in band.measures.values()) for band in bands]
    axes.set_xticks(
        range(len(bands)), [f"{band.group}\n{n} feet" for band, n in zip(bands, counts, strict=True)], fontsize=9
    )
    axes.set_ylabel("degrees (dash: bias)")
    axes.legend(frameon=False, fontsize=9)


def _risk(figures: SuiteFigures, axes: Axes) -> None:
    """Mean absolute error of the feet that stay, by how many stay."""
    for k, (measure, curve) in enumerate(figures.curves.items()):
        label = f"{by_name(measure).abbreviation}, area {curve.area:.2f} (least {curve.least:.2f})"
        axes.plot(100 * curve.kept, curve.risk, color=_COLOURS[k % 6], label=label)
    axes.set(
        xlabel="% of measured feet that stay (widest intervals sent away first)",
        ylabel="mean absolute error, degrees",
        xlim=(0, 100),
    )
    axes.set_ylim(bottom=0)
    axes.legend(frameon=False, fontsize=9)

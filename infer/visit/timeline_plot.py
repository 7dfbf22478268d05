"""One measure over time: numbers with their intervals, and what a new film adds; told apart by mark, not by colour."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from math import isfinite
from statistics import NormalDist
from typing import TYPE_CHECKING

from raysplay.infer.films.loading import Loading
from raysplay.infer.report.document import Picture
from raysplay.infer.report.plot import plot
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.infer.visit.language import Language
from raysplay.infer.visit.timeline import Timeline
from raysplay.measure.change import NOTHING_WORN
from raysplay.measure.reader_error import NewFilmError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH_MM, _HEIGHT_MM = 150.0, 62.0


def timeline_picture(
    found: Timeline, name: str, unit: str, new_films: Mapping[str, NewFilmError], level: float, words: Language
) -> Picture | None:
    """Draw a measure over time; None where no film has a number.

    Parameters
    ----------
    found : Timeline
    name, unit : str
        As the reader is told them.
    new_films : mapping of str to NewFilmError
    level : float
        Of intervals and bands.
    words : Language
    """
    known = [(one, read) for one, read in zip(found.films, found.reads, strict=True) if isfinite(read.value)]
    if not known:
        return None
    quantile = NormalDist().inv_cdf(0.5 + level / 2.0)
    error = new_films.get(found.measure)

    def paint(figure: Figure) -> None:
        axes = figure.subplots()
        line = [(_number(one.taken), read.value) for one, read in known if one in found.on_line]
        if len(line) > 1:
            axes.plot(*zip(*line, strict=True), color="0.55", linewidth=0.8, zorder=1)
        for one, read in known:
            x, mark = _number(one.taken), mark_of(one)
            sd = read.sd if error is None else error.with_reading(read.sd)
            axes.errorbar(x, read.value, quantile * sd, color="0.6", linewidth=4.0, zorder=2)
            axes.errorbar(x, read.value, quantile * read.sd, color="black", linewidth=1.0, capsize=2.5, zorder=3)
            axes.plot(
                x,
                read.value,
                mark,
                color="black",
                markerfacecolor="black" if mark == "o" else "white",
                zorder=4,
            )
            axes.annotate(words.number(read.value), (x, read.value), (5, 3), textcoords="offset points", zorder=5)
        days = sorted({one.taken for one, _ in known})
        axes.set_xticks([_number(day) for day in days], [words.day(day) for day in days])
        axes.yaxis.set_major_formatter(
            lambda value, _: words.number(value, 0 if abs(value - round(value)) < 1e-6 else 1)
        )
        axes.set_ylabel(f"{name} ({unit})")
        axes.margins(x=0.15, y=0.15)

    caption = words.say("plot_caption", measure=name, level=words.number(100 * level, 0))
    return replace(plot(paint, _WIDTH_MM, _HEIGHT_MM, font_size=7.5), caption=caption)


def mark_of(one: FootOnFilm) -> str:
    """Mark of a film: ``s`` where something was worn, ``v`` where the foot did not stand with full load, else ``o``."""
    if one.stated.worn not in ("", NOTHING_WORN):
        return "s"
    return "o" if one.loading in (None, Loading.FULL.value) else "v"


def _number(day: str) -> float:
    return float(date.fromisoformat(day).toordinal())

"""How the numbers of a measure spread, over all measured feet and by group."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.person import AGE_BANDS
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.records import Outcome
from raysplay.measure.sides import SIDE_WORDS

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

NOT_STATED = "not stated"
SEX_WORDS = {"F": "female", "M": "male", "O": "other"}
PERCENTILES = (5.0, 25.0, 50.0, 75.0, 95.0)
FEWEST = {5.0: 20, 25.0: 4, 50.0: 1, 75.0: 4, 95.0: 20}
"""Feet from which on a percentile lies within what was measured, not at its end: 1 / 20 beyond the 5th."""


@dataclass(frozen=True)
class Group:
    """Feet that have something in common: ``by`` what (side, sex, ...), which of it, and which rows, shape (F,)."""

    by: str
    name: str
    rows: BoolArray


@dataclass(frozen=True)
class Spread:
    """Percentiles of a measure over a group of feet; ``nan`` where the feet are too few."""

    measure: str
    by: str
    group: str
    feet: int
    percentiles: tuple[float, ...]


def groups(run: FinishedRun) -> tuple[Group, ...]:
    """Measured feet as a whole, then by decision, side, and by sex and age where any file states them."""
    decisions, sides = np.asarray(run.decisions.to_pylist(), dtype=object), np.asarray(run.sides.to_pylist(), object)
    measured = (decisions != Outcome.REFUSED.value) & (sides != "")
    made = [Group("all", "all measured feet", measured)]
    for outcome in (Outcome.ACCEPTED, Outcome.REVIEW):
        made.append(Group("decision", outcome.value, measured & (decisions == outcome.value)))
    for side, word in SIDE_WORDS.items():
        made.append(Group("side", word, measured & (sides == side)))
    for by, column, words in (
        ("sex", run.stated("sex"), SEX_WORDS),
        ("age in years", run.stated("age"), {band: band for band in AGE_BANDS}),
    ):
        stated = np.asarray(column, dtype=object)[run.film_of] if run.film_count else np.zeros(0, object)
        if (stated[measured] != "").any():
            made += [Group(by, word, measured & (stated == code)) for code, word in words.items()]
            made.append(Group(by, NOT_STATED, measured & (stated == "")))
    return tuple(group for group in made if group.by in ("all", "decision", "side") or group.rows.any())


def spread_of(measure: str, group: Group, values: FloatArray) -> Spread:
    """Percentiles of the values of a group, ``nan`` left out.

    Parameters
    ----------
    measure : str
    group : Group
    values : ndarray, shape (F,)
        Of every row of ``feet.csv``.

    Returns
    -------
    Spread
        Percentiles by linear interpolation between order statistics, in the measure's unit.
    """
    given = values[group.rows]
    given = given[np.isfinite(given)]
    told = np.percentile(given, PERCENTILES) if given.size else np.full(len(PERCENTILES), np.nan)
    kept = tuple(
        float(value) if given.size >= FEWEST[percent] else float("nan")
        for percent, value in zip(PERCENTILES, told, strict=True)
    )
    return Spread(measure, group.by, group.name, int(given.size), kept)


def spreads(run: FinishedRun, made: Sequence[Group]) -> Iterator[Spread]:
    """Every reported measure by every group."""
    for number, measure in enumerate(run.measures):
        values = run.values[:, number, 0]
        for group in made:
            yield spread_of(measure.name, group, values)

"""Same films, read twice: which numbers and decisions changed, how far, and whether beyond what reading errs by."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.configs.reader_error import reader_error
from raysplay.infer.agreement.statistics.cluster_bootstrap import ratio_error, t_quantile
from raysplay.infer.agreement.statistics.estimate import Basis, Estimate
from raysplay.infer.decide.wording import DECIMALS
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.overview.persons import persons_of
from raysplay.infer.overview.same_films import MatchedFilms, PairedFeet
from raysplay.measure import Measure
from raysplay.measure.definition import DEGREE
from raysplay.measure.reader_error import ReaderError, minimal_detectable_change

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

LEVEL = 0.95
BIAS = Basis(
    "mean change of all feet, its error by linearisation over persons, t interval",
    "independent persons",
    "Cochran, Sampling Techniques, 3rd edition 1977, chapter 9A (from memory)",
)


@dataclass(frozen=True)
class LargestChange:
    """A foot whose number changed: film by its name now and before, side, both numbers, both decisions."""

    film: str
    film_before: str
    foot: str
    before: float
    now: float
    change: float
    decision_before: str
    decision: str


@dataclass(frozen=True)
class MeasureChange:
    """What became of one measure on feet that both runs read.

    Attributes
    ----------
    measure : Measure
    compared : int
        Feet with a number in both runs.
    changed : int
        Of these, feet whose printed number is another one.
    outside : int
        Feet whose number now lies outside of the earlier run's interval.
    beyond : int or None
        Feet whose number changed by more than two readings of one film by a person differ in 19 of 20; None where no
        error is published.
    error : ReaderError or None
        Whose minimal detectable change that is.
    bias : Estimate
        Mean of now less before.
    lost, gained : int
        Feet with a number in the earlier run alone, in this one alone.
    largest : tuple of LargestChange
        The largest first.
    """

    measure: Measure
    compared: int
    changed: int
    outside: int
    beyond: int | None
    error: ReaderError | None
    bias: Estimate
    lost: int
    gained: int
    largest: tuple[LargestChange, ...]


@dataclass(frozen=True)
class Changed:
    """All that changed on films that both runs read.

    Attributes
    ----------
    decisions : mapping of (str, str) to int
        Paired feet by decision before and now.
    measures : tuple of MeasureChange
        Of measures that both runs report by the same construction.
    other_construction, only_now, only_before : tuple of str
        Names of measures that are not compared, and why.
    """

    decisions: dict[tuple[str, str], int]
    measures: tuple[MeasureChange, ...]
    other_construction: tuple[str, ...]
    only_now: tuple[str, ...]
    only_before: tuple[str, ...]

    @property
    def moved_decisions(self) -> int:
        """Feet with another decision."""
        return sum(count for (before, now), count in self.decisions.items() if before != now)

    @property
    def nothing(self) -> bool:
        """Whether no number and no decision of a paired foot changed."""
        moved = any(one.changed or one.lost or one.gained for one in self.measures)
        return not (moved or self.moved_decisions or self.other_construction or self.only_now or self.only_before)


def changed(now: FinishedRun, before: FinishedRun, films: MatchedFilms, feet: PairedFeet, *, most: int) -> Changed:
    """Compare numbers and decisions of paired feet.

    Parameters
    ----------
    now, before : FinishedRun
    films : MatchedFilms
    feet : PairedFeet
    most : int
        How many of the largest changes of each measure.

    Returns
    -------
    Changed
    """
    mine = {measure.name: i for i, measure in enumerate(now.measures)}
    theirs = {measure.name: i for i, measure in enumerate(before.measures)}
    both = [name for name in mine if name in theirs]
    alike = [
        name for name in both if now.measures[mine[name]].construction == before.measures[theirs[name]].construction
    ]
    decisions, earlier = now.decisions.to_pylist(), before.decisions.to_pylist()
    moved = Counter((earlier[j], decisions[i]) for i, j in zip(feet.now, feet.before, strict=True))
    person = persons_of(now)[now.film_of[feet.now]]
    return Changed(
        dict(moved),
        tuple(
            _change(
                now.measures[mine[name]],
                now.values[feet.now, mine[name]],
                before.values[feet.before, theirs[name]],
                person,
                lambda pair: _foot(now, before, feet, pair),
                most,
            )
            for name in alike
        ),
        tuple(name for name in both if name not in alike),
        tuple(name for name in mine if name not in theirs),
        tuple(name for name in theirs if name not in mine),
    )


def difference(now: FloatArray, before: FloatArray, unit: str) -> FloatArray:
    """Now less before, of angles the short way round, with the decimals that numbers are given with.

    Parameters
    ----------
    now, before : ndarray, shape (n,)
    unit : str

    Returns
    -------
    ndarray, shape (n,)
    """
    change = now - before
    if unit == DEGREE:
        change = (change + 180.0) % 360.0 - 180.0
    rounded: FloatArray = np.round(change, DECIMALS[unit]) + 0.0
    return rounded


def _change(
    measure: Measure,
    now: FloatArray,
    before: FloatArray,
    person: IntArray,
    foot: Callable[[int], tuple[str, str, str, str, str]],
    most: int,
) -> MeasureChange:
    here, there = np.isfinite(now[:, 0]), np.isfinite(before[:, 0])
    both = np.flatnonzero(here & there)
    change = difference(now[both, 0], before[both, 0], measure.unit)
    error = reader_error(measure.name)
    slack = 10.0 ** -DECIMALS[measure.unit] / 2.0
    low, high = before[both, 1] - slack, before[both, 2] + slack
    outside = (change != 0.0) & ((now[both, 0] < low) | (now[both, 0] > high))
    beyond = None if error is None else int((np.abs(change) > minimal_detectable_change(error.sem)).sum())
    largest = []
    for k in np.argsort(-np.abs(change), kind="stable")[:most]:
        if change[k] == 0.0:
            break
        pair = int(both[k])
        film, film_before, side, decision_before, decision = foot(pair)
        there_was, is_now = float(before[pair, 0]), float(now[pair, 0])
        largest.append(
            LargestChange(film, film_before, side, there_was, is_now, float(change[k]), decision_before, decision)
        )
    return MeasureChange(
        measure,
        len(both),
        int((change != 0.0).sum()),
        int(outside.sum()),
        beyond,
        error,
        _bias(change, person[both]),
        int((there & ~here).sum()),
        int((here & ~there).sum()),
        tuple(largest),
    )


def _bias(change: FloatArray, person: IntArray) -> Estimate:
    n = change.size
    if n == 0:
        return BIAS.unknown("no foot has both numbers", 0, LEVEL)
    mean = float(change.mean())
    if (change == change[0]).all():
        return BIAS.estimate(mean, mean, mean, n, LEVEL)
    _, index = np.unique(person, return_inverse=True)
    persons = int(index.max()) + 1
    if persons < 2:
        return BIAS.estimate(mean, np.nan, np.nan, n, LEVEL, "all feet are of one person")
    half = t_quantile(LEVEL, persons - 1) * ratio_error(change, np.ones(n), index)
    return BIAS.estimate(mean, mean - half, mean + half, n, LEVEL)


def _foot(now: FinishedRun, before: FinishedRun, feet: PairedFeet, pair: int) -> tuple[str, str, str, str, str]:
    i, j = int(feet.now[pair]), int(feet.before[pair])
    return (
        now.films[i].as_py(),
        before.films[j].as_py(),
        now.sides[i].as_py(),
        before.decisions[j].as_py(),
        now.decisions[i].as_py(),
    )

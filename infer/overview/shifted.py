"""Other films: whether their numbers and decisions are distributed as those of an earlier run's films were.

A person counts once (a film of nobody named counts as one): numbers by the mean of a person's feet, decisions by the
worst. A difference is one of what came in and of what read it; no test tells them apart.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from raysplay.infer.agreement.statistics.estimate import Estimate
from raysplay.infer.films.person import AGE_BANDS
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.overview.fates import FATES, fates
from raysplay.infer.overview.persons import persons_of
from raysplay.infer.overview.same_films import MATCHES, Match, MatchedFilms
from raysplay.infer.overview.spread import NOT_STATED, SEX_WORDS
from raysplay.infer.overview.two_samples import (
    FEWEST,
    Test,
    holm,
    kolmogorov_smirnov,
    median_difference,
    same_shares,
)
from raysplay.infer.records import OUTCOMES, Outcome
from raysplay.measure import Measure

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

ALARM = 0.05
"""Rate of false alarms of all tests together."""


@dataclass(frozen=True)
class ShiftedMeasure:
    """One measure on two groups of persons: how many, their medians, the difference, the test and its corrected p.

    ``test`` is None where a group has fewer than 10 persons.
    """

    measure: Measure
    persons: tuple[int, int]
    medians: tuple[float, float]
    difference: Estimate
    test: Test | None
    corrected: float

    @property
    def differs(self) -> bool:
        """Whether the distributions differ by more than chance explains."""
        return self.test is not None and self.corrected < ALARM


@dataclass(frozen=True)
class Shifted:
    """Films that only this run has against all films of the earlier run.

    Attributes
    ----------
    films, persons : (int, int)
        Of the earlier run, and new ones.
    in_both : int
        Persons of new films whose code the earlier run has, too: their new films are left out.
    measures : tuple of ShiftedMeasure
        Of measures that both runs report by the same construction.
    decisions : mapping of str to (int, int)
        Persons by their worst decision; a film without a foot is refused.
    decisions_test : Test or None
    decisions_corrected : float
    holds : mapping of str to mapping of str to (int, int)
        Films by what the files state: sex, age; to weigh a difference by.
    """

    films: tuple[int, int]
    persons: tuple[int, int]
    in_both: int
    measures: tuple[ShiftedMeasure, ...]
    decisions: Mapping[str, tuple[int, int]]
    decisions_test: Test | None
    decisions_corrected: float
    holds: Mapping[str, Mapping[str, tuple[int, int]]]

    @property
    def decisions_differ(self) -> bool:
        """Whether decisions differ by more than chance explains."""
        return self.decisions_test is not None and self.decisions_corrected < ALARM

    @property
    def enough(self) -> bool:
        """Whether anything was tested."""
        return self.decisions_test is not None or any(one.test is not None for one in self.measures)


def shifted(now: FinishedRun, before: FinishedRun, matched: MatchedFilms) -> Shifted | None:
    """Compare films that the earlier run did not have with those that it had; None where there are none such."""
    new = (matched.now == MATCHES.index(Match.ALONE)) & _films(now)
    old = _films(before)
    if not new.any() or not old.any():
        return None
    codes, earlier = now.stated("person"), set(before.stated("person")) - {""}
    known = np.asarray([code in earlier for code in codes], dtype=np.bool_)
    in_both = len({code for code, is_new, twice in zip(codes, new, known, strict=True) if is_new and twice})
    new &= ~known
    chosen = {name: (i, j) for name, i, j in _alike(now, before)}
    measures = []
    for i, j in chosen.values():
        first, second = _person_means(before, j, old), _person_means(now, i, new)
        test = kolmogorov_smirnov(first, second) if min(first.size, second.size) >= FEWEST else None
        medians = tuple(float(np.median(one)) if one.size else float("nan") for one in (first, second))
        measures.append((now.measures[i], (first.size, second.size), medians, median_difference(first, second), test))
    worst = [_person_worst(run, films) for run, films in ((before, old), (now, new))]
    counts = np.stack([np.bincount(one, minlength=len(OUTCOMES)) for one in worst])
    enough = min(one.size for one in worst) >= FEWEST
    decisions_test = same_shares(counts) if enough else None
    tests = [one[4] for one in measures] + [decisions_test]
    corrected = iter(holm([test.p for test in tests if test is not None]))
    by_test = [next(corrected) if test is not None else float("nan") for test in tests]
    return Shifted(
        (int(old.sum()), int(new.sum())),
        (worst[0].size, worst[1].size),
        in_both,
        tuple(ShiftedMeasure(*one, p) for one, p in zip(measures, by_test, strict=False)),  # type: ignore[arg-type]
        {name: (int(counts[0, k]), int(counts[1, k])) for k, name in enumerate(OUTCOMES)},
        decisions_test,
        by_test[-1],
        {
            "sex": _stated((before, now), (old, new), "sex", SEX_WORDS),
            "age in years": _stated((before, now), (old, new), "age", {band: band for band in AGE_BANDS}),
        },
    )


def _alike(now: FinishedRun, before: FinishedRun) -> list[tuple[str, int, int]]:
    theirs = {(one.name, one.construction): j for j, one in enumerate(before.measures)}
    return [
        (one.name, i, theirs[one.name, one.construction])
        for i, one in enumerate(now.measures)
        if (one.name, one.construction) in theirs
    ]


def _films(run: FinishedRun) -> BoolArray:
    is_film = np.asarray([fate.is_film for fate in FATES], dtype=np.bool_)
    chosen: BoolArray = is_film[fates(run)] if run.film_count else np.zeros(0, dtype=np.bool_)
    return chosen


def _person_means(run: FinishedRun, measure: int, films: BoolArray) -> FloatArray:
    """One number a person: the mean over the measured feet of the chosen films."""
    values = run.values[:, measure, 0]
    rows = np.flatnonzero(films[run.film_of] & np.isfinite(values) & (_decision(run) < OUTCOMES.index("refused")))
    if not rows.size:
        return np.zeros(0)
    _, person = np.unique(persons_of(run)[run.film_of[rows]], return_inverse=True)
    means: FloatArray = np.bincount(person, values[rows]) / np.bincount(person)
    return means


def _person_worst(run: FinishedRun, films: BoolArray) -> IntArray:
    """Index in ``OUTCOMES`` of the worst decision on the chosen films of every person."""
    rows = np.flatnonzero(films[run.film_of])
    if not rows.size:
        return np.zeros(0, dtype=np.int64)
    _, person = np.unique(persons_of(run)[run.film_of[rows]], return_inverse=True)
    worst = np.zeros(int(person.max()) + 1, dtype=np.int64)
    np.maximum.at(worst, person, _decision(run)[rows])
    return worst


def _decision(run: FinishedRun) -> IntArray:
    place = {outcome.value: i for i, outcome in enumerate(Outcome)}
    return np.asarray([place[decision] for decision in run.decisions.to_pylist()], dtype=np.int64)


def _stated(
    runs: tuple[FinishedRun, FinishedRun],
    films: tuple[BoolArray, BoolArray],
    column: Literal["sex", "age"],
    words: Mapping[str, str],
) -> dict[str, tuple[int, int]]:
    counted = []
    for run, chosen in zip(runs, films, strict=True):
        cells = [cell for cell, taken in zip(run.stated(column), chosen, strict=True) if taken]
        counted.append({word: cells.count(code) for code, word in {**words, "": NOT_STATED}.items()})
    return {word: (counted[0][word], counted[1][word]) for word in counted[0] if counted[0][word] or counted[1][word]}

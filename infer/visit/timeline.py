"""Each measure of a foot over time: what is beyond error, what is not, and what cannot be compared.

Every film is compared with the nearest earlier one of its kind (loading, what was worn, side of an operation), else
with the nearest earlier one, so that the reason is told. Films of one day that differ in load or in what was worn show
position; they are compared apart and are never called progress. A trend stands on bare films of one kind alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import isfinite

from raysplay.configs.protocol import ChangeRule
from raysplay.configs.reader_error import reader_error
from raysplay.infer.films.loading import Loading
from raysplay.infer.review.shown import Shown
from raysplay.infer.review.visits import read_of
from raysplay.infer.visit.conditions import Surgery
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.measure.change import NOTHING_WORN, Change, Read, Trend, compare, trend
from raysplay.measure.reader_error import NewFilmError

LEAST_DAYS = 3
"""Days of films that a trend needs: a line through two of them is the step between them told again."""
_LOADS = (Loading.FULL.value, Loading.PARTIAL.value, Loading.SIMULATED.value, Loading.NONE.value)
"""From the most load to none."""
_MUCH_SCATTER = 2.0
"""Spread about the line, in units of error, from which a trend is not all that happened (proposed here)."""


@dataclass(frozen=True)
class Step:
    """A film and an earlier one, or two of one day; ``whole`` is the first and the last of a kind."""

    first: FootOnFilm
    second: FootOnFilm
    change: Change
    whole: bool = False


@dataclass(frozen=True)
class Timeline:
    """One measure of one foot over all films of a person.

    Attributes
    ----------
    measure : str
    unit : str
    films : tuple of FootOnFilm
        In the order of their days.
    reads : tuple of Read
        Of the measure, one a film; ``nan`` where withheld.
    steps : tuple of Step
        From film to film over time, those across an operation among them.
    positional : tuple of Step
        Films of one day.
    line : Trend or None
    why_no_line : str
        Name of the reason for which there is no trend; empty where there is one.
    on_line : tuple of FootOnFilm
        Films that the trend stands on.
    """

    measure: str
    unit: str
    films: tuple[FootOnFilm, ...]
    reads: tuple[Read, ...]
    steps: tuple[Step, ...]
    positional: tuple[Step, ...]
    line: Trend | None
    why_no_line: str
    on_line: tuple[FootOnFilm, ...] = ()

    @property
    def not_stated(self) -> tuple[str, ...]:
        """What is not stated of every film of the trend: ``loading``, ``worn``."""
        load = any(one.loading is None for one in self.on_line)
        worn = any(not one.stated.worn for one in self.on_line)
        return tuple(name for name, missing in (("loading", load), ("worn", worn)) if missing)

    @property
    def scattered(self) -> bool:
        """Whether the films lie farther from the line than error explains."""
        return self.line is not None and self.line.scatter > _MUCH_SCATTER


def timeline(
    measure: str,
    feet: Sequence[FootOnFilm],
    new_films: Mapping[str, NewFilmError],
    rule: ChangeRule,
    level: float,
) -> Timeline:
    """One measure over the films of one foot.

    Parameters
    ----------
    measure : str
    feet : sequence of FootOnFilm
        Of one person and one side, in the order of their days.
    new_films : mapping of str to NewFilmError
        What another film gives, by measure.
    rule : ChangeRule
    level : float
        Of intervals.
    """
    shown = {one.foot: one.measure(measure) for one in feet}
    films = tuple(one for one in feet if shown[one.foot] is not None)
    reads = {one.foot: _read(one, known) for one in films if (known := shown[one.foot]) is not None}
    error = new_films.get(measure)

    def step(first: FootOnFilm, second: FootOnFilm, whole: bool = False) -> Step:
        change = compare(
            reads[first.foot],
            reads[second.foot],
            reader_error=reader_error(measure),
            new_film=error,
            level=level,
            detection_level=rule.level.value,
            largest_tilt_difference=rule.largest_tilt_difference.value,
            names=("the earlier film", "the later film"),
        )
        return Step(first, second, change, whole)

    steps = [step(*pair) for pair in _pairs_in_time(films)]
    steps += [step(first, last, True) for first, last in _ends(films)]
    positional = tuple(step(*pair) for pair in same_day(films))
    line, why, on_line = _trend(measure, films, reads, error, level)
    unit = next((known.measure.unit for known in shown.values() if known is not None), "")
    ordered = tuple(reads[one.foot] for one in films)
    return Timeline(measure, unit, films, ordered, tuple(steps), positional, line, why, on_line)


def _read(one: FootOnFilm, shown: Shown) -> Read:
    stated = one.stated
    return read_of(
        shown,
        one.side,
        one.taken,
        one.film.spacing,
        loading=one.loading,
        worn=stated.worn or None,
        tilt=stated.tilt,
        after_surgery=stated.surgery == Surgery.AFTER.value if stated.surgery else None,
        technique=(("stance", stated.stance), ("beam", stated.beam)),
    )


def same_day(films: Sequence[FootOnFilm]) -> list[tuple[FootOnFilm, FootOnFilm]]:
    """Pairs of one day, the bare one first, and of two bare ones the more loaded one, whatever the films are called."""
    worn = {NOTHING_WORN: 0, "": 1}
    pairs = []
    for one, other in combinations(films, 2):
        if one.taken == other.taken and one.film.name != other.film.name:
            first, second = sorted((one, other), key=lambda film: (worn.get(film.stated.worn, 2), by_load(film)))
            pairs.append((first, second))
    return pairs


def by_load(film: FootOnFilm) -> int:
    """Place in the order of loads: 0 for the most, the last one where it is not stated."""
    return _LOADS.index(film.loading) if film.loading in _LOADS else len(_LOADS)


def _pairs_in_time(films: Sequence[FootOnFilm]) -> list[tuple[FootOnFilm, FootOnFilm]]:
    """Every film with the nearest earlier one of its kind, or with the nearest earlier one."""
    pairs = []
    for place, later in enumerate(films):
        earlier = [one for one in films[:place] if one.taken < later.taken]
        alike = [one for one in earlier if one.kind == later.kind]
        bare = [one for one in earlier if one.kind[1] in (None, NOTHING_WORN)]
        for choice in (alike, bare, earlier):
            if choice:
                pairs.append((choice[-1], later))
                break
    return pairs


def _ends(films: Sequence[FootOnFilm]) -> list[tuple[FootOnFilm, FootOnFilm]]:
    """First and last film of every kind that was filmed on three days or more: small steps add up."""
    kinds: dict[tuple[str | None, ...], list[FootOnFilm]] = {}
    for one in films:
        kinds.setdefault(one.kind, []).append(one)
    return [(many[0], many[-1]) for many in kinds.values() if len({one.taken for one in many}) > 2]


def _trend(
    measure: str,
    films: Sequence[FootOnFilm],
    reads: Mapping[int, Read],
    error: NewFilmError | None,
    level: float,
) -> tuple[Trend | None, str, tuple[FootOnFilm, ...]]:
    """A trend over the largest group of bare films of one kind, or why there is none."""
    usable = [one for one in films if isfinite(reads[one.foot].value)]
    if len({one.taken for one in usable}) < LEAST_DAYS:
        return None, "few_days", ()
    if len({reads[one.foot].construction for one in usable}) > 1:
        return None, "constructions", ()
    bare = [one for one in usable if one.kind[1] in (None, NOTHING_WORN)]
    kinds: dict[tuple[str | None, ...], list[FootOnFilm]] = {}
    for one in bare:
        kinds.setdefault(one.kind, []).append(one)
    alike = max(kinds.values(), key=lambda many: len({one.taken for one in many}), default=[])
    if len({one.taken for one in alike}) < LEAST_DAYS:
        return None, "not_alike", ()
    published = reader_error(measure)
    repeated = error is not None and error.holds_reading
    reader = published.sem if published and not repeated else 0.0
    known = [(reads[one.foot], max(reads[one.foot].sd, reader)) for one in alike]
    with_film = [replace(read, sd=sd if error is None else error.with_reading(sd)) for read, sd in known]
    if not all(read.sd > 0.0 for read in with_film):
        return None, "no_error", ()
    return trend(with_film, level=level), "", tuple(alike)

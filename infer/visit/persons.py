"""Feet of a run by person, side and day.

Two films are of one person where their files carry one code, or the table of conditions calls both by one name. Where
file and table do not agree on that, nothing is written: a foot in another person's report is the worst that can happen.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.outputs.finished_run import FilmFacts, FinishedRun
from raysplay.infer.reason import ReasonKind
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.visit.conditions import Conditions, Stated
from raysplay.infer.visit.foot_on_film import FootOnFilm, foot_on_film

NO_PERSON = "neither the file nor the table of conditions says whose film it is"
NO_DAY = "neither the file nor the table of conditions says when the film was taken"
"""Why a foot is in no report that a row of the table of conditions would bring into one."""
_NOT_KEPT = "the run was made by an earlier version, which did not keep whose film is whose"
GONE = "its file is no longer among the films: what was read of it is kept in the run"
_COPY_OF = "same file as "
"""In front of the film's name in the reason of a copy; a run keeps no digest of a copy."""


@dataclass(frozen=True)
class Person:
    """Feet of one person by side and day; ``called`` is a code, never a name."""

    called: str
    feet: tuple[FootOnFilm, ...]

    def of_side(self, side: str) -> tuple[FootOnFilm, ...]:
        """Feet of one side in the order of their days."""
        return tuple(one for one in self.feet if one.side == side)


@dataclass(frozen=True)
class LeftOut:
    """A foot, or a film without one, that is in no report, and why; ``person`` where that is known."""

    film: str
    foot_index: int | None
    why: str
    person: str = ""


def persons_of(
    desk: OpenDesk, conditions: Conditions, only: str | None = None, *, still_there: bool = False
) -> tuple[tuple[Person, ...], tuple[LeftOut, ...]]:
    """Persons of a run in the order of their codes, and what is in no report.

    Parameters
    ----------
    desk : OpenDesk
    conditions : Conditions
    only : str, optional
        The person that is asked for; films of others are not looked at.
    still_there : bool
        Whether films are left out whose files were no longer there when they were last looked for: a film that was
        taken away because it was another person's must not stay in a report.

    Raises
    ------
    UserTableError
        If the table gives one person two names, or two persons one.
    """
    run = desk.run
    films = [run.film(i) for i in range(run.film_count)]
    called = names_of(films, conditions)
    _refuse_copies(run, called, conditions)
    feet: dict[str, list[FootOnFilm]] = defaultdict(list)
    left: list[LeftOut] = []
    for foot in range(len(run)):
        film = films[int(run.film_of[foot])]
        if only is not None and called[film.name] != only:
            continue
        one = foot_on_film(desk, foot, film, conditions.of(film.name))
        person = called[film.name]
        if why := _why_left_out(one, person, run.names_persons, still_there):
            left.append(LeftOut(film.name, one.index, why, person))
        else:
            feet[person].append(one)
    seen = {films[i].name for i in run.film_of.tolist()}
    asked = [one for one in films if only is None or called[one.name] == only]
    left += [LeftOut(one.name, None, "no foot", called[one.name]) for one in asked if one.name not in seen]
    found = []
    for person in sorted(feet):
        kept = list(_without_twins(feet[person], person, left))
        if kept:
            found.append(Person(person, tuple(sorted(kept, key=lambda one: (one.side, one.taken, one.film.name)))))
    return tuple(found), tuple(left)


def names_of(films: list[FilmFacts], conditions: Conditions) -> dict[str, str]:
    """What the person on every film is called; empty where nobody says whose film it is.

    Raises
    ------
    UserTableError
        If the table gives one person two names, or two persons one.
    """
    codes = {one.name: one.person for one in films}
    stated = [conditions.of(one.name) for one in films]
    stated = sorted((one for one in stated if one.person), key=lambda one: one.line)
    by_name: dict[str, list[Stated]] = defaultdict(list)
    by_code: dict[str, Stated] = {}
    for one in stated:
        code, name = codes[one.film], one.person.lower()
        if name in set(codes.values()) - {code}:
            raise conditions.refused(one, f"{one.person!r} is the run's code of another person")
        for other in by_name[name]:
            if other.person != one.person:
                raise conditions.refused(one, f"{other.person!r} of {other.where} differs by capitals alone")
            if code and codes[other.film] and codes[other.film] != code:
                said = f"by its file this is another person than {one.person!r} of {other.where}"
                raise conditions.refused(one, said)
        by_name[name].append(one)
        if code and (first := by_code.setdefault(code, one)).person != one.person:
            said = f"by its file this is the person of {first.where}, who is called {first.person!r} there"
            raise conditions.refused(one, said)
    return {
        one.name: conditions.of(one.name).person
        or (by_code[one.person].person if one.person in by_code else one.person)
        for one in films
    }


def _refuse_copies(run: FinishedRun, called: dict[str, str], conditions: Conditions) -> None:
    """Refuse a table that gives the same bytes, under two names of a file, to two persons: one of them is wrong.

    Raises
    ------
    UserTableError
    """
    for foot, reasons in enumerate(run.reasons):
        copy = run.films[foot].as_py()
        for reason in reasons:
            first = reason.text.partition(_COPY_OF)[2] if reason.kind is ReasonKind.DUPLICATE else ""
            persons = called[copy], called.get(first, "")
            if all(persons) and persons[0] != persons[1]:
                said = f"{copy} is the same file as {first}, which is {persons[1]!r}; it cannot be {persons[0]!r}, too"
                raise conditions.refused(conditions.of(copy), said)


def _why_left_out(one: FootOnFilm, person: str, names_persons: bool, still_there: bool) -> str:
    if still_there and any(remark.kind is RemarkKind.GONE for remark in one.film.remarks):
        return GONE
    if one.unfit and not one.side:
        return one.unfit  # no film, or no foot on it: whose it is would change nothing
    if not person:
        return NO_PERSON if names_persons else _NOT_KEPT
    if not one.taken:
        return NO_DAY
    return "" if one.side else "no side is known"


def _without_twins(feet: list[FootOnFilm], person: str, left: list[LeftOut]) -> Iterator[FootOnFilm]:
    """Feet without those that share film and side: one of the two names is wrong, and nobody knows which."""
    count = Counter((one.film.name, one.side) for one in feet if not one.unfit)
    for one in feet:
        if count[one.film.name, one.side] > 1 and not one.unfit:
            why = f"two feet of this film are called {one.side}: settle that in the review first"
            left.append(LeftOut(one.film.name, one.index, why, person))
        else:
            yield one

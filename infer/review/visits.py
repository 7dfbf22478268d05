"""Other films of the same foot, and what differs between two of them.

Two feet belong together where their files carry one identifier (``person`` of ``films.csv``), or somebody at a desk
says so, and they are called by one side. Which film is the earlier one is told by their days alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from typing import Literal, Protocol

import numpy as np
import numpy.typing as npt

from raysplay.configs.new_film_error import new_film_error
from raysplay.configs.protocol import ChangeRule
from raysplay.configs.reader_error import reader_error
from raysplay.infer.films.loading import told
from raysplay.infer.outputs.finished_run import FilmFacts, FinishedRun
from raysplay.infer.review import answers
from raysplay.infer.review.shown import Shown
from raysplay.infer.review.standing import NUMBERLESS
from raysplay.infer.review.worklist import shown_number
from raysplay.measure.change import Change, Occasion, Read, Verdict, compare

_YEAR = 365.25


@dataclass(frozen=True)
class Taking:
    """Whose film it is, when and how it was taken; empty or None where nobody says it.

    Attributes
    ----------
    person, taken : str
        As :class:`~raysplay.infer.outputs.finished_run.FilmFacts` has them.
    loading, worn, tilt, after_surgery, technique
        As :class:`~raysplay.measure.change.Read` has them.
    """

    person: str
    taken: str
    loading: str | None = None
    worn: str | None = None
    tilt: float | None = None
    after_surgery: bool | None = None
    technique: tuple[tuple[str, str], ...] = ()


def file_taking(film: FilmFacts) -> Taking:
    """What a film's own file says of it."""
    return Taking(film.person, film.taken, told(film.loading))


class Takings(Protocol):
    """Who says whose films they are, and how they were taken."""

    def of(self, film: FilmFacts) -> Taking:
        """What is said of a film."""

    def films_of(self, person: str) -> npt.NDArray[np.int64]:
        """Films of a person, by number from 0."""


class ByFile:
    """What the files of a run say; nobody says more."""

    def __init__(self, run: FinishedRun) -> None:
        self._run = run

    def of(self, film: FilmFacts) -> Taking:
        """What a file says."""
        return file_taking(film)

    def films_of(self, person: str) -> npt.NDArray[np.int64]:
        """Films that carry a person's code."""
        return self._run.films_of(person)


@dataclass(frozen=True)
class Visit:
    """One foot on one film.

    Attributes
    ----------
    film : FilmFacts
    side : str
    shown : tuple of Shown
    unfit : str
        Why none of its numbers may be compared, in a sentence; empty where they may.
    said : Taking or None
        How the film was taken; by default as its file says.
    """

    film: FilmFacts
    side: str
    shown: tuple[Shown, ...]
    unfit: str = ""
    said: Taking | None = None

    @property
    def taking(self) -> Taking:
        """How the film was taken, as far as anybody says it."""
        return self.said or file_taking(self.film)

    def reads(self) -> dict[str, Read]:
        """Its measures as they are compared; ``nan`` where withheld."""
        taking = self.taking
        how = {
            "loading": taking.loading,
            "worn": taking.worn,
            "tilt": taking.tilt,
            "after_surgery": taking.after_surgery,
            "technique": taking.technique,
        }
        return {
            one.measure.name: read_of(one, self.side, taking.taken, self.film.spacing, **how)  # type: ignore[arg-type]
            for one in self.shown
        }


def read_of(
    shown: Shown,
    side: str,
    taken: str,
    spacing: str,
    *,
    loading: str | None,
    worn: str | None = None,
    tilt: float | None = None,
    after_surgery: bool | None = None,
    technique: tuple[tuple[str, str], ...] = (),
) -> Read:
    """A number as it is compared; ``nan`` where withheld.

    Parameters
    ----------
    shown : Shown
    side : str
        As the foot is called.
    taken : str
        Day of the film, ISO 8601; empty where unknown.
    spacing : str
        Kind of the film's pixel spacing.
    loading, worn, tilt, after_surgery, technique
        As :class:`~raysplay.measure.change.Read` has them; None where unknown.
    """
    return Read(
        shown.measure.name,
        shown.measure.unit,
        shown.measure.construction,
        shown.given[0],
        shown.sd,
        side,
        date.fromisoformat(taken).toordinal() / _YEAR if taken else None,
        loading=loading,
        worn=worn,
        tilt=tilt,
        spacing_kind=spacing,
        after_surgery=after_surgery,
        technique=technique,
    )


def no_person(taking: Taking, names_persons: bool) -> str:
    """Why a film cannot be compared with any other, in a sentence; empty where it can."""
    if taking.person:
        return ""
    if not names_persons:
        return "This run was made by an earlier version, which did not keep whose film is whose. Measure it again."
    return "The file does not say whose film it is (picture files never do): there is nothing to compare it with."


def changes(here: Visit, there: Visit, rule: ChangeRule, level: float) -> answers.Changes:
    """What differs between two films of a foot, the later one less the earlier one.

    Where the days do not tell which is the later one, ``later`` is null, and it is this one less the other.

    Parameters
    ----------
    here, there : Visit
    rule : ChangeRule
        Level of the change that readers can detect, and when films are too different.
    level : float
        Of the difference's interval.
    """
    order = _later(here, there)
    if why := here.unfit or there.unfit:
        side = "This foot" if here.unfit else "The other foot"
        return {"later": order, "why": f"{side} is not compared: {why}.", "caveats": [], "measures": []}
    first, second = (here, there) if order == "there" else (there, here)
    before, after = first.reads(), second.reads()
    names = ("this film", "the other film") if first is here else ("the other film", "this film")
    rows: list[answers.Change] = []
    caveats = dict[str, None]()
    for one in here.shown:
        name = one.measure.name
        if name not in before or name not in after:
            continue
        change = compare(
            before[name],
            after[name],
            reader_error=reader_error(name),
            new_film=new_film_error(name),
            level=level,
            detection_level=rule.level.value,
            largest_tilt_difference=rule.largest_tilt_difference.value,
            names=names,
        )
        there_shown = next(other for other in there.shown if other.measure.name == name)
        rows.append(_row(one, there_shown, change))
        if not change.reasons:
            caveats.update(dict.fromkeys(change.caveats))
    return {"later": order, "why": None, "caveats": list(caveats), "measures": rows}


def _row(here: Shown, there: Shown, change: Change) -> answers.Change:
    unit = here.measure.unit
    return {
        "name": here.measure.name,
        "other": shown_number(there.given[0], unit),
        "difference": shown_number(change.difference, unit),
        "low": shown_number(change.low, unit),
        "high": shown_number(change.high, unit),
        "reader_mdc": shown_number(change.reader_mdc, unit),
        "mdc": shown_number(change.mdc, unit),
        "holds_new_film": new_film_error(here.measure.name) is not None,
        "verdict": _verdict(change),
        "why": "; ".join(change.reasons) or None,
    }


def _verdict(change: Change) -> str:
    """As a report says it: films of one day that differ in load or in what was worn show position, never progress."""
    positional = change.occasion is Occasion.SAME_DAY and change.verdict is not Verdict.NOT_COMPARABLE
    return f"positional, {change.verdict.value}" if positional else change.verdict.value


def _later(here: Visit, there: Visit) -> Literal["here", "there"] | None:
    days = here.taking.taken, there.taking.taken
    if not all(days) or days[0] == days[1]:
        return None
    return "here" if days[0] > days[1] else "there"


def unfit(state: str, decision: str, reasons: Iterable[str], reason: str) -> str:
    """Why no number of a foot may be compared, in words; empty where they may.

    Parameters
    ----------
    state, decision : str
    reasons : iterable of str
        Of the decision.
    reason : str
        What the reader who settled it gave as reason.
    """
    if state in NUMBERLESS:
        return f"settled: {NUMBERLESS[state]}{f' ({reason})' if reason else ''}"
    if decision == "refused" and state != "corrected":
        said = "; ".join(reasons)
        return f"refused by the model{f' ({said})' if said else ''}"
    return ""

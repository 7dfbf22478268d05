"""A desk at work: films come in, are measured, settled, grouped by person, and reported.

Whose film it is, when and how it was taken, is what the file states and what a person states over it. The second is
kept with who and when; the last statement holds. The worst that can happen here is a film among those of another
person: where the files' own codes say that two films are of two persons, they are never put together.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import threading
from collections.abc import Iterable
from dataclasses import asdict, fields
from datetime import date
from typing import Any

from raysplay.infer.clinic.desk_folder import DeskFolder
from raysplay.infer.clinic.intake import Intake
from raysplay.infer.clinic.measuring import BusyError, Measuring
from raysplay.infer.clinic.measuring_process import LOADER
from raysplay.infer.clinic.opened_run import OpenedRun
from raysplay.infer.clinic.records import (
    ArrivedFilm,
    Document,
    Records,
    StaleStatementError,
    Statement,
    Withdrawn,
)
from raysplay.infer.clinic.settings import ClinicSettings, clinic_settings
from raysplay.infer.clinic.stated_takings import StatedTakings
from raysplay.infer.clinic.withdrawal import UnfinishedWithdrawalError, delete_papers, finish, papers_of
from raysplay.infer.outputs.finished_run import FilmFacts, FinishedRun
from raysplay.infer.outputs.run_files import ABOUT
from raysplay.infer.outputs.run_tables import RunError
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.refused import RefusedError, UnknownFootError
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.store import StoreError
from raysplay.infer.user_table import UserTableError
from raysplay.infer.visit.conditions import Conditions, Stated, no_day, no_distance, no_person_code, no_tilt
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.infer.visit.persons import LeftOut, Person, names_of, persons_of

STATED = ("person", "taken", "worn", "loading", "tilt", "surgery", "note", "stance", "beam", "distance", "marker")
"""What may be stated of a film: fields of :class:`~raysplay.infer.visit.conditions.Stated`."""


class Clinic:
    """A desk and all that belongs to it.

    Parameters
    ----------
    folder : DeskFolder
        Made if missing; no other program may have it open.
    settings : ClinicSettings
    loader : str
        Function that loads the networks, ``module:name``.

    Raises
    ------
    DeskFolderError, RecordsError
        If the folder cannot be used.
    """

    def __init__(self, folder: DeskFolder, settings: ClinicSettings | None = None, loader: str = LOADER) -> None:
        self.folder, self.settings = folder, settings or clinic_settings()
        folder.make()
        folder.clear()
        self.records = Records(folder.records)
        self.intake = Intake(folder, self.records, self.settings)
        self._lock = threading.RLock()
        self._opened: OpenedRun | None = None
        self._before: OpenedRun | None = None
        self.trouble = ""
        self.papers = threading.Lock()
        """Held while a paper is written: from what is read of its films until it is noted that it stands on them."""
        self._unfinished = False
        self._finish_withdrawals()
        self._open()
        self.measuring = Measuring(folder, self.settings, self._in_hand, self._open, loader)
        if self.waiting():
            self.want()

    def want(self, *, anew: bool = False) -> None:
        """Have measured what has come; nothing as long as something is left of a film that was taken off the desk."""
        if not self._unfinished:
            self.measuring.want(anew=anew)

    def close(self) -> None:
        """End measuring, and let go of everything; what was read is kept."""
        self.measuring.close()
        for one in (self._opened, self._before):
            if one is not None:
                one.close()
        self.records.close()

    @property
    def desk(self) -> OpenDesk | None:
        """The review of what is measured; None before the first film is. It waits while a film is taken off."""
        with self._lock:
            return None if self._opened is None else self._opened.desk

    def _open(self) -> None:
        """Show the run that lies in the folder now."""
        if self._unfinished or not (self.folder.run / ABOUT).exists():
            return
        try:
            opened = OpenedRun(FinishedRun(self.folder.run), self.folder.films, review_settings())
        except (RunError, StoreError) as error:
            self.trouble = f"What was measured cannot be opened: {error}"
            return
        opened.desk.takings = StatedTakings(opened.desk.run, self.conditions)
        with self._lock:
            self.trouble = ""
            # Requests may still be at work on the one before; the one before that is let go.
            if self._before is not None:
                self._before.close()
            self._before, self._opened = self._opened, opened
        opened.desk.warm_up()

    def _in_hand(self) -> bool:
        try:
            return self._opened is not None and bool(self._opened.store.claims())
        except StoreError:
            return False

    def waiting(self) -> list[ArrivedFilm]:
        """Films that are here and not measured yet."""
        known = self._films_by_name()
        return [one for one in self.records.films() if one.name not in known and self._is_here(one)]

    def _is_here(self, film: ArrivedFilm) -> bool:
        return (self.folder.films / film.name).exists()

    def _films_by_name(self) -> dict[str, int]:
        """Films of the run by the name of their file; frames and members count to their file."""
        desk = self.desk
        if desk is None:
            return {}
        found: dict[str, int] = {}
        for number in range(desk.run.film_count):
            found.setdefault(desk.run.film(number).name.split("/")[0], number)
        return found

    def arrived(self, number: int) -> ArrivedFilm:
        """A film of the desk.

        Raises
        ------
        UnknownFootError
            If there is none of that number.
        """
        film = self.records.film(number)
        if film is None:
            raise UnknownFootError("there is no such film")
        return film

    def conditions(self, changed: Statement | None = None) -> Conditions:
        """What is stated of the films of the run; ``changed`` takes the place of what holds."""
        desk = self.desk
        if desk is None:
            return Conditions()
        by_film = self.records.statements()
        if changed is not None:
            by_film[changed.film] = changed
        by_name = {one.name: by_film[one.number] for one in self.records.films() if one.number in by_film}
        stated = {}
        for number in range(desk.run.film_count):
            name = desk.run.film(number).name
            if (said := by_name.get(name.split("/")[0])) is not None:
                stated[name] = stated_of(name, said)
        return Conditions(stated)

    def state(self, number: int, version: int, by: str, said: dict[str, Any]) -> Statement:
        """Keep what a person states of a film.

        Raises
        ------
        UnknownFootError
            If there is no such film.
        RefusedError
            If it cannot be meant, or would mix two persons; nothing is saved then.
        StaleStatementError
            If somebody stated something of the film since the page loaded it.
        RecordsError
        """
        checks = (
            no_person_code(said.get("person", "")),
            no_day(said.get("taken", ""), date.today()),
            *(f"{said[name]:g} {why}" for name, check in _NUMBERS if (why := check(said.get(name)))),
        )
        if why := next(filter(None, checks), ""):
            raise RefusedError(why)
        with self._lock:
            self.arrived(number)
            before = self.records.statement(number)
            if before.version != version:
                raise StaleStatementError
            given = said.get("person", "")
            by_whom = before.stated.get("person_by", "") if given == before.stated.get("person", "") else by
            kept = {**said, "person_by": by_whom if given else ""}
            self._refuse_mixed(Statement(number, version + 1, by=by, stated=kept))
            return self.records.state(number, version, by, kept)

    def _refuse_mixed(self, changed: Statement) -> None:
        """Two persons under one name, or one under two, are refused before anything is saved."""
        desk = self.desk
        if desk is None:
            return
        try:
            names_of(_facts(desk), self.conditions(changed))
        except UserTableError as error:
            raise RefusedError(f"Not saved: {error}") from None

    def papers_of(self, number: int) -> list[Document]:
        """Papers that stand on a film, the latest first.

        Raises
        ------
        UnknownFootError
            If there is no such film.
        """
        film = self.arrived(number)
        found = self._films_by_name().get(film.name)
        desk = self.desk
        called = ""
        if found is not None and desk is not None:
            with contextlib.suppress(
                UserTableError
            ):  # where persons cannot be told apart, taking one off is the way out
                called = self.called().get(desk.run.film(found).name, "")
        return papers_of(film, self.records, called)

    def withdraw(self, number: int, by: str, why: str, papers: Iterable[int], *, delete_papers: bool) -> Withdrawn:
        """Take a film off the desk, with all that names it; a row stays that says that one went.

        Parameters
        ----------
        number : int
        by : str
            Initials.
        why : str
        papers : iterable of int
            Papers that stand on it, as whoever asks has seen them.
        delete_papers : bool
            Whether their files go with it.

        Raises
        ------
        UnknownFootError
            If there is no such film.
        RefusedError
            If films are being measured, somebody has a foot open, or other papers stand on it by now; nothing was
            changed then.
        UnfinishedWithdrawalError
            If the film is off the desk, but not all of it could be removed.
        """
        try:
            paused = contextlib.ExitStack()
            paused.enter_context(self.measuring.paused())
        except BusyError:
            raise RefusedError("films are being measured: wait until that is done, then take the film off") from None
        with paused, self.papers, self.intake.keeping, self._lock:
            film = self.arrived(number)
            standing = [one.id for one in self.papers_of(number)]
            if set(standing) != set(papers):
                raise RefusedError("other papers stand on this film since this page looked: look at them first")
            if self._in_hand():
                raise RefusedError(
                    "somebody has a foot open for review, and what they see must not change meanwhile: save it or "
                    "leave it, then take the film off"
                )
            one = self.records.withdraw(film, by, why, standing, standing if delete_papers else ())
            self._finish_withdrawals()
            self._open()
            if self._unfinished:
                raise UnfinishedWithdrawalError(self.trouble)
            again = self._opened is None and bool(self.waiting())
        if again:  # the run had to go as a whole
            self.want()
        return one

    def delete_paper(self, number: int, by: str) -> None:
        """Delete the files of a paper that stands on a film which was taken off the desk.

        Raises
        ------
        UnknownFootError
            If there is no such paper.
        RefusedError
            If all its films are here.
        UnfinishedWithdrawalError
            If a file could not be deleted.
        """
        with self.papers, self._lock:
            if self.records.document(number) is None:
                raise UnknownFootError("there is no such paper")
            gone = {one.number for one in self.records.withdrawals()}
            if not gone & self.records.used().get(number, set()):
                raise RefusedError("only papers with a film that was taken off the desk are deleted here")
            self.records.delete_papers([number], by)
            delete_papers(self.records, self.folder)

    def _finish_withdrawals(self) -> None:
        """Take away what is left of films that are off the desk; no run is open meanwhile."""
        films, papers = self.records.withdrawals(), self.records.deletions().values()
        if all(one.swept for one in films) and all(one.swept for one in papers):
            return
        for opened in (self._opened, self._before):
            if opened is not None:
                opened.close()
        self._opened = self._before = None
        self._unfinished, self.trouble = True, "A film was taken off the desk, and not all of it is removed yet."
        try:
            finish(self.records, self.folder)
        except UnfinishedWithdrawalError as error:
            self.trouble = str(error)
        else:
            self._unfinished, self.trouble = False, ""

    def called(self) -> dict[str, str]:
        """What the person on every film of the run is called, by film; empty where nobody says whose it is."""
        desk = self.desk
        return {} if desk is None else names_of(_facts(desk), self.conditions())

    def films_of(self, called: str) -> list[int]:
        """Numbers of a person's films, those in no report too."""
        persons, known = self.called(), self._films_by_name()
        desk = self.desk
        if desk is None:
            return []
        numbers = {one.name: one.number for one in self.records.films()}
        return [
            numbers[name]
            for name, film in known.items()
            if name in numbers and persons.get(desk.run.film(film).name) == called
        ]

    def person(self, called: str) -> tuple[Person, tuple[LeftOut, ...]]:
        """One person's feet, and what is in no report.

        Raises
        ------
        UnknownFootError
            If nobody is called so, or no foot has both a person and a day.
        """
        desk = self.desk
        if desk is None or not called:
            raise UnknownFootError("there is no such person")
        persons, left = persons_of(desk, self.conditions(), called)
        if not persons and not any(one.person == called for one in left):
            raise UnknownFootError("there is no such person")
        return (persons[0] if persons else Person(called, ())), left


_NUMBERS = (("tilt", no_tilt), ("distance", no_distance))


def stated_of(film: str, said: Statement) -> Stated:
    """A statement as the report takes it."""
    known = {one.name for one in fields(Stated)}
    return Stated(film, **{name: value for name, value in said.stated.items() if name in known})


def _facts(desk: OpenDesk) -> list[FilmFacts]:
    return [desk.run.film(number) for number in range(desk.run.film_count)]


def ground_of(person: Person, left: Iterable[LeftOut]) -> str:
    """Digest of all that a report or a letter of a person stands on: another one where a number, a name, or what is
    stated is another."""
    told = [[asdict(one) for one in left if one.person == person.called], [_told(one) for one in person.feet]]
    return hashlib.sha256(json.dumps([person.called, told], sort_keys=True, default=str).encode()).hexdigest()


def _told(one: FootOnFilm) -> dict[str, Any]:
    numbers = [
        [
            shown.measure.name,
            *(repr(v) for v in shown.given),
            shown.measure.construction,
            one.source(shown),
            shown.withheld,
        ]
        for shown in one.shown
    ]
    return {
        "film": one.film.sha256 or one.film.name,
        "side": one.side,
        "taken": one.taken,
        "loading": one.loading,
        "version": one.standing.version,
        "unfit": one.unfit,
        "stated": asdict(one.stated),
        "numbers": numbers,
    }

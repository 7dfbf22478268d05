"""A desk at work: films come in, are measured, settled, grouped by person, and reported.

Whose film it is, when and how it was taken, is what the file states and what a person states over it. The second is
kept with who and when; the last statement holds. The worst that can happen here is a film among those of another
person: where the files' own codes say that two films are of two persons, they are never put together.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Iterable
from dataclasses import asdict, fields
from datetime import date
from typing import Any

from raysplay.infer.clinic.desk_folder import DeskFolder
from raysplay.infer.clinic.intake import Intake
from raysplay.infer.clinic.measuring import Measuring
from raysplay.infer.clinic.measuring_process import LOADER
from raysplay.infer.clinic.opened_run import OpenedRun
from raysplay.infer.clinic.records import ArrivedFilm, Records, StaleStatementError, Statement
from raysplay.infer.clinic.settings import ClinicSettings, clinic_settings
from raysplay.infer.clinic.stated_takings import StatedTakings
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
        self._open()
        self.measuring = Measuring(folder, self.settings, self._in_hand, self._open, loader)
        if self.waiting():
            self.measuring.want()

    def close(self) -> None:
        """End measuring, and let go of everything; what was read is kept."""
        self.measuring.close()
        for one in (self._opened, self._before):
            if one is not None:
                one.close()
        self.records.close()

    @property
    def desk(self) -> OpenDesk | None:
        """The review of what is measured; None before the first film is."""
        opened = self._opened
        return None if opened is None else opened.desk

    def _open(self) -> None:
        """Show the run that lies in the folder now."""
        if not (self.folder.run / ABOUT).exists():
            return
        try:
            opened = OpenedRun(FinishedRun(self.folder.run), review_settings())
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
        self.arrived(number)
        checks = (
            no_person_code(said.get("person", "")),
            no_day(said.get("taken", ""), date.today()),
            *(f"{said[name]:g} {why}" for name, check in _NUMBERS if (why := check(said.get(name)))),
        )
        if why := next(filter(None, checks), ""):
            raise RefusedError(why)
        with self._lock:
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

    def called(self) -> dict[str, str]:
        """What the person on every film of the run is called, by film; empty where nobody says whose it is."""
        desk = self.desk
        return {} if desk is None else names_of(_facts(desk), self.conditions())

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

"""One call of the command on an archive: what is known is skipped, what is new is read and kept, tables follow."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
import time
from array import array
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import sqlalchemy.exc

from raysplay.configs.load import digest, landmark_schema
from raysplay.configs.proof import proofs
from raysplay.infer.archive.derived_tables import kept_films, opened, write_so_far
from raysplay.infer.archive.job import Answer, Engine, Job, name_at, place_of
from raysplay.infer.archive.ledger import Ledger, LedgerError, why, without_password
from raysplay.infer.archive.person_key import mark, person_key, usual_place
from raysplay.infer.archive.plan import Plan, add_copies, drawn_for, planned
from raysplay.infer.archive.reader_key import differences, weights_of
from raysplay.infer.archive.reading import troubled
from raysplay.infer.archive.settings import engine_settings
from raysplay.infer.archive.stored_film import restored, stored
from raysplay.infer.decide.decision import not_read
from raysplay.infer.films.address import is_address, object_digest
from raysplay.infer.films.collect import Candidate
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.film_identity import Stamp, content_digest, stamp
from raysplay.infer.films.place import place_of as film_place
from raysplay.infer.films.place import split_frame
from raysplay.infer.outputs.name_key import NameKey
from raysplay.infer.outputs.names import film_name
from raysplay.infer.outputs.run_files import ABOUT, CHECKED, LEDGER, OVERLAYS, SCRATCH, TABLES
from raysplay.infer.outputs.run_folder import RunFolder, RunFolderError, RunStoppedError, writing
from raysplay.infer.outputs.run_report import RunReport
from raysplay.infer.outputs.table_digests import changed_table
from raysplay.infer.reads_at_stake import carried_reads, note_reads, reads_at_stake
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import FilmRecord
from raysplay.measure import Measure

_BEAT_SECONDS = 1.0
_RECENT_SECONDS = 300.0
"""Over which the rate is told; long enough for the tables so far, meanwhile written, to weigh as they do."""
_READ_AGAIN = (ReasonKind.CHANGED, ReasonKind.BYTES_LATE)
"""Troubles of a film that is read once more when all others are done."""


@dataclass(frozen=True)
class Asked:
    """What the command was called for.

    Attributes
    ----------
    candidates : sequence of Candidate
        In order.
    inputs : tuple of str
        The paths that were given, whole.
    films_folder : Path or None
        What the names of the films are relative to.
    moved : bool
        Whether the paths may be others than those of the run: films are known again by name and bytes.
    rehash, retry : bool
        As :func:`~raysplay.infer.archive.plan.planned` takes them.
    ledger : str
        Address of a database; empty for the file in the folder.
    person_key : Path or None
        File of the key for codes of persons; None for the usual place.
    names : NameKey or None
        Under which the candidates have identifiers: what else tells one file from others is kept under it, too.
    """

    candidates: Sequence[Candidate]
    inputs: tuple[str, ...]
    films_folder: Path | None
    protocol_file: Path
    reported: tuple[Measure, ...]
    level: float
    command: Sequence[str]
    overlays: bool = True
    overwrite: bool = False
    keep_reads: bool = False
    moved: bool = False
    rehash: bool = False
    retry: bool = False
    ledger: str = ""
    person_key: Path | None = None
    names: NameKey | None = None


@dataclass(frozen=True)
class Finished:
    """What stands in the folder now."""

    report: RunReport
    wall_seconds: float
    values: dict[str, array[float]]


class ArchiveRun:
    """Takes the folder and holds it until :meth:`close`.

    Parameters
    ----------
    asked : Asked
    folder : RunFolder
    engine : Engine
    measured : callable
        Told how many films are done and, after each that was read, its record.
    writing_tables : callable
        Called before the last tables are written.
    note : callable
        Told what a person should know, in sentences.

    Raises
    ------
    RunFolderError
        If the folder cannot be taken, or what was read into it does not belong to what is asked for.
    """

    def __init__(
        self,
        asked: Asked,
        folder: RunFolder,
        engine: Engine,
        measured: Callable[[int, FilmRecord | None], None],
        writing_tables: Callable[[], None],
        note: Callable[[str], None],
    ) -> None:
        self._asked, self._folder, self._engine = asked, folder, engine
        self._measured, self._writing_tables, self._note = measured, writing_tables, note
        self._settings = engine_settings()
        self._proven = proofs().proven(asked.reported, engine.digests)
        self._done = 0
        self._kept_any = self._asked_for_reads = False
        self._claimed: dict[str, bytes] = {}
        self._again: list[Candidate] = []
        self._opened = contextlib.ExitStack()
        goes_on = Ledger.there(folder.path) and not asked.overwrite
        folder.begin(goes_on=goes_on)
        self._opened.callback(folder.release)
        try:
            with writing(folder.path), _in_words(folder.path, str(folder.path / LEDGER)):
                for left in folder.path.glob(f"{SCRATCH}*"):  # of a run that was killed
                    shutil.rmtree(left, ignore_errors=True)
                if asked.overwrite:
                    Ledger.remove(folder.path, asked.ledger)
                self._ledger = Ledger(folder.path, asked.ledger)
                self._opened.callback(self._ledger.close)
                self._goes_on = self._admit()
                self._key = self._person_key()
                self._plan = self._planned()
        except LedgerError as error:
            refused = _refused(folder.path)
            self.close()
            if refused:
                raise RunStoppedError(f"{folder.path}: cannot be written any more ({refused})") from error
            raise RunFolderError(str(error)) from error
        except BaseException:
            self.close()
            raise

    def run(self) -> Finished:
        """Read what is to be read, then write the tables; nothing is written where nothing is new.

        Raises
        ------
        RunStoppedError
            If the folder or the ledger could not be written any more; what was read until then is kept.
        """
        plan, session = self._plan, None
        self._started = time.monotonic()
        try:
            if plan.changes:
                self._refuse_lost_reads()
            if self._goes_on:
                self._note(f"{plan.sentence()}.")
            with _in_words(self._folder.path, self._ledger.name):
                self._settle(plan)
                self._done = plan.known
                self._measured(self._done, None)
                if plan.read:
                    session = self._ledger.begin_session(len(plan.read))
                    self._read(plan.read, session)
                    self._beat(session, stage="writing tables")
                stands = not self._kept_any and not plan.marks and self._stands()
                finished = self._standing() if stands else self._finish(session)
                if session is not None:
                    self._beat(session, stage="done")
                else:  # of an earlier call that was ended when it had read all films
                    self._ledger.end_sessions()
                return finished
        except LedgerError as error:
            raise RunStoppedError(str(error)) from error
        except BaseException as error:
            if session is not None:
                self._stopped(session, error)
            raise

    def close(self) -> None:
        """Let others write into the folder."""
        self._opened.close()

    @property
    def read_so_far(self) -> int:
        """Films that are done."""
        return self._done

    def _admit(self) -> bool:
        """Whether the ledger holds films that belong to what is asked for; a new one is told what that is."""
        about, asked = self._ledger.about, self._asked
        hidden = asked.names
        inputs = sorted(asked.inputs if hidden is None else map(hidden.path, asked.inputs))
        mine = {"inputs": inputs, "overlays": asked.overlays, "name_key": "" if hidden is None else hidden.mark}
        if "key" not in about:
            self._ledger.note(key=self._engine.key, **mine)
            return False
        place = self._folder.path
        ways = "choose another folder, or pass --overwrite to measure all films again"
        if other := differences(about["key"], self._engine.key):
            raise RunFolderError(
                f"{place}: holds an earlier run that is finished or was stopped, and since then other are: "
                f"{', '.join(other)}. Numbers of both do not belong into one table; {ways}"
            )
        if (before := about.get("name_key", "")) != mine["name_key"]:
            said = (
                "whose tables hold the names of the films, and --name-key asks for identifiers"
                if not before
                else "whose films have identifiers: name its key with --name-key"
                if hidden is None
                else "whose films have identifiers under another key than that of --name-key"
            )
            raise RunFolderError(f"{place}: holds an earlier run {said}; or {ways}")
        if asked.moved and about.get("inputs") != inputs:
            self._ledger.note(inputs=inputs)
            about = self._ledger.about
        if {name: about.get(name, "") for name in mine} == mine:
            return True
        if about.get("finished"):
            what = "of other paths" if about.get("inputs") != mine["inputs"] else "with other pictures"
            raise RunFolderError(f"{place}: holds an earlier run {what}; {ways}")
        # It was stopped before it had tables: what was read of the same bytes is taken, the rest is left alone.
        self._ledger.forget_files()
        self._ledger.note(**mine)
        return True

    def _person_key(self) -> str:
        about = self._ledger.about
        marked = str(about.get("person_key", ""))
        if self._asked.names is not None and self._asked.person_key is None:
            key = self._asked.names.person_key
            if marked and mark(key) != marked:
                raise RunFolderError(
                    f"{self._folder.path}: its codes of persons have a key of their own; name it with --person-key"
                )
        else:
            place = self._asked.person_key or usual_place(str(about["identity"]))
            key = person_key(place, self._folder.path, marked)
        self._ledger.note(person_key=mark(key))
        return key

    def _planned(self) -> Plan:
        asked = self._asked
        plan = planned(
            asked.candidates,
            self._ledger.known(),
            rehash=asked.rehash,
            retry=asked.retry,
            pictures=self._pictures() if asked.overlays else None,
            marks=self._marks,
            digest=self._digest,
        )
        add_copies(plan, asked.candidates, self._ledger.lone_copies({*plan.unfounded, *plan.gone_now, *plan.nothing}))
        return plan

    def _pictures(self) -> frozenset[str]:
        """Names of the pictures that are there, of the run so far and of the one before."""
        found: set[str] = set()
        for folder in (self._folder.path / OVERLAYS, self._folder.partial(OVERLAYS)):
            with contextlib.suppress(OSError), os.scandir(folder) as entries:
                found.update(entry.name for entry in entries)
        return frozenset(found)

    def _refuse_lost_reads(self) -> None:
        """Before a run is replaced that people have read."""
        about = self._folder.path / ABOUT
        if self._asked_for_reads or self._asked.overwrite or not about.exists():
            return  # asked before, or nothing stands there
        self._asked_for_reads = True
        grown = self._ledger.about.get("written") == _digest(about)
        if lost := reads_at_stake(self._folder.path, self._asked.keep_reads, grows=grown):
            from raysplay.infer.measuring import ReadsAtStakeError

            raise ReadsAtStakeError(lost)

    def _settle(self, plan: Plan) -> None:
        ledger = self._ledger
        if plan.same:
            ledger.restamp(plan.same)
        if plan.gone_now:
            ledger.mark(plan.gone_now, gone=True)
        if plan.back:
            ledger.mark(plan.back, gone=False)
        if plan.nothing:
            ledger.drop(plan.nothing)

    def _read(self, files: Sequence[Candidate], session: int) -> None:
        self._recent = deque([(0.0, 0)])
        self._read_now = 0
        self._last_came = self._started
        self._folders = [path for path in self._asked.inputs if os.path.isdir(path)]
        self._next_beat = self._started
        self._next_tables = self._started + self._settings.first_tables_seconds
        sizes = _sizes(self._asked.candidates)
        self._shared = {self._kept_size(size) for size, count in sizes.items() if count > 1} | self._ledger.sizes()
        del sizes
        if not self._goes_on:
            self._write_so_far()  # heads alone, so that there is something to look at from the start
        self._pass(files, session, last=False)
        again = sorted(self._again, key=lambda one: place_of(one.name))
        again += self._lone_copies({one.path for one in again})
        if again:
            self._claimed.clear()
            self._pass(again, session, last=True)

    def _lone_copies(self, taken: set[Path]) -> list[Candidate]:
        alone = self._ledger.lone_copies(set())
        if not alone:
            return []
        return [one for one in self._asked.candidates if one.path not in taken and place_of(one.name) in alone]

    def _pass(self, files: Sequence[Candidate], session: int, *, last: bool) -> None:
        reading = self._engine.read(self._jobs(files, session), self._key)
        with contextlib.closing(reading) as answers:  # type: ignore[type-var]
            for job, answer in answers:
                self._look_at_drive(answer)
                if answer.trouble in _READ_AGAIN:
                    if not last:
                        self._again.append(Candidate(job.path, job.name, size=job.size, marks=job.marks))
                        continue
                    assert answer.trouble is not None
                    answer = troubled(film_name(job.name), answer.trouble, "", None, answer.seconds)
                self._keep(job, answer, session)

    def _look_at_drive(self, answer: Answer) -> None:
        """Stop where the films are no longer there, or none comes any more: else every one of them would be refused."""
        now, first = time.monotonic(), self._asked.inputs[0]
        if answer.trouble is ReasonKind.BYTES_LATE:
            if (late := now - self._last_came) > self._settings.stall_seconds:
                raise RunStoppedError(f"{first}: the drive has given the bytes of no film for {late:.0f} seconds")
            return
        self._last_came = now
        for folder in self._folders if not answer.digest else ():
            if not os.path.exists(folder):
                raise RunStoppedError(f"{folder}: is no longer there")

    def _jobs(self, files: Sequence[Candidate], session: int) -> Iterator[Job]:
        """Files that must be read; what can be told without is kept on the way."""
        for candidate in files:
            place, name = place_of(candidate.name), film_name(candidate.name)
            job = Job(place, candidate.path, candidate.name, candidate.size, candidate.marks)
            if candidate.problem is not None:
                decision = not_read(candidate.problem)
                record = FilmRecord(name, (), decision)
                kinds = tuple(reason.kind.value for reason in decision.reasons)
                self._keep(job, Answer(stored(record, None), "refused", kinds, "", None), session)
                continue
            marks, size = self._marks(candidate), _size(candidate)
            shared = marks is not None and size is not None and self._kept_size(size) in self._shared
            if shared and (known := self._digest(candidate.path)):
                original = self._claimed.get(known) or self._ledger.original(known, place)
                if original is not None and original != place:
                    self._ledger.keep_copy(place, name, marks, known, original)
                    said = f"same file as {film_name(name_at(original))}"
                    copied = FilmRecord(name, (), not_read(FilmRejected(said, ReasonKind.DUPLICATE)))
                    self._told(copied, session, changed=True)
                    continue
                if self._take_over(place, name, marks, known, session):
                    continue
                self._claimed[known] = place
            yield job

    def _take_over(self, place: bytes, name: str, marks: Any, known: str, session: int) -> bool:
        """Whether what was read of these bytes under another name does for this one, too."""
        kept = self._ledger.result_of(known)
        if kept is None or self._asked.retry:
            return False
        pictures, content = kept
        record, film = opened(self._ledger, name, content)
        if self._asked.overlays and film is not None and record.feet:
            there = all(self._picture(picture) for picture in pictures)
            if not (drawn_for(name, pictures) and len(pictures) == len(record.feet) and there):
                return False
        self._ledger.keep_known(place, name, marks, known)
        self._told(record, session, changed=True)
        return True

    def _picture(self, name: str) -> bool:
        return (self._folder.partial(OVERLAYS) / name).exists() or (self._folder.path / OVERLAYS / name).exists()

    def _keep(self, job: Job, answer: Answer, session: int) -> None:
        name, hidden = film_name(job.name), self._asked.names
        if job.marks is not None and answer.digest:  # as the next listing will state them
            answer = replace(answer, marks=job.marks)
        with writing(self._folder.path):
            for picture, content in answer.pictures:
                self._folder.overlay(picture).write_bytes(content)
        record, film = restored(name, answer.content)
        if hidden is not None:
            if film is not None:
                film = replace(film, sha256=hidden.digest(film.sha256), taken="")  # folders are often called by it
            marks = None if answer.marks is None else _hidden_marks(answer.marks, hidden)
            answer = replace(answer, digest=hidden.digest(answer.digest), marks=marks, content=stored(record, film))
        self._claimed.pop(answer.digest, None)  # from here the ledger knows
        changed = bool(answer.digest) or not self._said_before(job.place, record)
        self._ledger.keep(
            job.place,
            name,
            answer.marks,
            answer.digest,
            answer.content,
            answer.outcome,
            answer.kinds,
            size=None if job.size is None else self._kept_size(job.size),
            seconds=answer.seconds,
            pictures=[picture for picture, _ in answer.pictures],
        )
        self._told(record, session, changed=changed)

    def _marks(self, candidate: Candidate) -> Stamp | None:
        """The stamp of a file as the ledger has it."""
        found, hidden = candidate.marks or stamp(candidate.path), self._asked.names
        return found if found is None or hidden is None else _hidden_marks(found, hidden)

    def _digest(self, path: Path) -> str:
        """The digest of a film as the ledger has it."""
        hidden = self._asked.names
        found = object_digest(path, self._settings.bytes_seconds) if is_address(path) else content_digest(path)
        return found if hidden is None else hidden.digest(found)

    def _kept_size(self, size: int) -> int:
        return size if self._asked.names is None else self._asked.names.number("size", size)

    def _said_before(self, place: bytes, record: FilmRecord) -> bool:
        """Whether the same was said of a file that gives no result, so that no table changes."""
        before = self._ledger.said_of(place)
        return before is not None and opened(self._ledger, record.film, before)[0].decision == record.decision

    def _told(self, record: FilmRecord, session: int, *, changed: bool) -> None:
        self._kept_any |= changed
        self._done += 1
        self._read_now += 1
        now = time.monotonic()
        if now >= self._next_beat:
            self._next_beat = now + _BEAT_SECONDS
            self._beat(session)
        if now >= self._next_tables:
            self._write_so_far()
            spent = time.monotonic() - now
            self._next_tables = now + spent + max(self._settings.tables_seconds, spent / self._settings.tables_share)
        self._measured(self._done, record)

    def _beat(self, session: int, stage: str = "reading") -> None:
        elapsed = time.monotonic() - self._started
        self._recent.append((elapsed, self._read_now))
        while len(self._recent) > 2 and self._recent[1][0] <= elapsed - _RECENT_SECONDS:
            self._recent.popleft()
        since, films = self._recent[0]
        self._ledger.look_for_file()
        self._ledger.beat(
            session,
            seconds=elapsed,
            films=self._read_now,
            recent_seconds=elapsed - since,
            recent_films=self._read_now - films,
            stage=stage,
        )

    def _write_so_far(self) -> None:
        with writing(self._folder.path):
            write_so_far(self._ledger, self._folder, landmark_schema(), self._asked.reported)

    def _stopped(self, session: int, error: BaseException) -> None:
        """Keep what can be kept."""
        with contextlib.suppress(RunStoppedError, LedgerError, sqlalchemy.exc.SQLAlchemyError, OSError):
            self._beat(session, stage="stopped")
        if not isinstance(error, RunStoppedError | sqlalchemy.exc.SQLAlchemyError):
            with contextlib.suppress(RunStoppedError, LedgerError, sqlalchemy.exc.SQLAlchemyError):
                self._write_so_far()

    def _stands(self) -> bool:
        """Whether the tables in the folder are those that follow from the ledger."""
        folder = self._folder.path
        whole = all((folder / name).is_file() for name in TABLES)
        written = self._ledger.about.get("written")
        return whole and written == _digest(folder / ABOUT) and not changed_table(folder, CHECKED)

    def _standing(self) -> Finished:
        from raysplay.infer.archive.standing_run import standing

        with writing(self._folder.path):
            self._folder.clear()
        return Finished(*standing(self._folder.path, self._asked.reported))

    def _finish(self, session: int | None) -> Finished:
        from raysplay.infer.outputs.run_writer import RunWriter

        asked, folder = self._asked, self._folder
        self._refuse_lost_reads()
        # Also those that were saved while this run went on.
        carry = note_reads(folder.path)
        self._writing_tables()
        writer = RunWriter(folder, landmark_schema(), asked.reported, overlays=False, level=asked.level, begun=True)
        writer.report.here = self._engine.here
        values = {measure.name: array("d") for measure in asked.reported}
        drawn: set[str] = set()
        try:
            for record, film, pictures in kept_films(self._ledger):
                writer.append(record, film, pictures)
                drawn.update(picture.removeprefix(f"{OVERLAYS}/") for picture in pictures)
                _gather(record, values)
            self._ledger.note(written="")
            wall = sum(one.seconds for one in self._ledger.sessions() if one.session != session)
            wall += time.monotonic() - self._started
            with writing(folder.path):
                folder.clear_pictures(keep=drawn)
            writer.finish(
                command=command_to_tell(asked.command, asked.ledger),
                wall_seconds=wall,
                weights=weights_of(self._engine.key),
                protocol=asked.protocol_file,
                films=asked.films_folder,
                machine=self._engine.machine,
                keep=drawn,
                name_key="" if asked.names is None else asked.names.mark,
            )
        finally:
            writer.close()
        self._ledger.note(finished=True, written=_digest(folder.path / ABOUT))
        if carry:
            self._note(carried_reads(folder.path))
        return Finished(writer.report, wall, values)


def command_to_tell(command: Sequence[str], ledger: str) -> list[str]:
    """A command line without the password in the address of its ledger."""
    return [word.replace(ledger, without_password(ledger)) if ledger else word for word in command]


@contextlib.contextmanager
def _in_words(folder: Path, ledger: str) -> Iterator[None]:
    """Turn what a database says of a full disk or a lost server into one sentence.

    Raises
    ------
    RunStoppedError
    """
    try:
        yield
    except sqlalchemy.exc.SQLAlchemyError as error:
        if refused := _refused(folder):
            raise RunStoppedError(f"{folder}: cannot be written any more ({refused})") from error
        raise RunStoppedError(f"{ledger}: cannot be written any more ({why(error)})") from error


def _refused(folder: Path) -> str:
    """Why the system lets nothing be written into a folder, as it says it to us; empty if it does."""
    try:
        with tempfile.TemporaryFile(prefix=SCRATCH, dir=folder) as trial:
            trial.write(bytes(1 << 17))
            trial.flush()
            os.fsync(trial.fileno())
    except OSError as refused:
        return refused.strerror or "the system refuses"
    return ""


def _gather(record: FilmRecord, values: dict[str, array[float]]) -> None:
    for foot in record.feet:
        for one in foot.measurements:
            if one.value == one.value:
                values[one.measure].append(one.value)


def _hidden_marks(marks: Stamp, key: NameKey) -> Stamp:
    """A stamp that is equal where the file's is, and tells neither size, nor time, nor the order of files."""
    return Stamp(
        key.number("size", marks.size), key.number("changed", marks.changed_ns), key.number("number", marks.number)
    )


def _sizes(candidates: Iterable[Candidate]) -> Counter[int]:
    """How many files and members have each size; one that holds several frames counts once."""
    sizes: Counter[int] = Counter()
    last: tuple[Path, str] | None = None
    for one in candidates:
        if (size := _size(one)) is None:
            continue
        place = film_place(one.path)
        holder = (place.file, split_frame(place.inside)[0])
        if not place.inside or holder != last:  # frames follow one another
            sizes[size] += 1
        last = holder
    return sizes


def _size(candidate: Candidate) -> int | None:
    if candidate.problem is not None or candidate.size is not None:
        return candidate.size if candidate.problem is None else None
    marks = candidate.marks or stamp(candidate.path)
    return None if marks is None else marks.size


def _digest(path: Path) -> str:
    try:
        return digest(path)
    except OSError:
        return ""

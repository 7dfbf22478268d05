"""Where reads are kept: an append-only history in an SQL database, and the current state that follows from it.

A read is acknowledged after its transaction is committed and was found again through a connection of its own. SQLite
runs with a rollback journal and ``synchronous=EXTRA``: a commit survives a crash of the process and of the machine
(sqlite.org, pragma synchronous). Every use looks whether this is still the store that the review began with and whether
what was acknowledged is in it. Every entry carries the version it makes of its foot, unique in the database: of two
readers who saw the same version, one is refused.
"""

from __future__ import annotations

import json
import os
import secrets
import sqlite3
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from pydantic_core import from_json
from sqlalchemy import event
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError, SQLAlchemyError

from raysplay.infer.outputs.run_files import STORE
from raysplay.infer.review import store_tables as tables
from raysplay.infer.review.reads_found import opened_for_reading
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.store_file import StoreError, StoreFile, copy_for_looking
from raysplay.infer.review.store_trouble import KEPT, in_words, primary_code, sentence

__all__ = ["STORE", "Claim", "ClaimedError", "Entry", "Key", "ReadStore", "StaleReadError", "StoreError", "Subject"]


class StaleReadError(Exception):
    """A read made from an older version than the store holds; ``theirs`` is what it holds."""

    def __init__(self, theirs: Entry) -> None:
        super().__init__(f"{theirs.reader} saved this foot in the meantime")
        self.theirs = theirs


class ClaimedError(Exception):
    """A foot that another reader has in hand."""

    def __init__(self, claim: Claim) -> None:
        super().__init__(f"{claim.reader} is reading this foot")
        self.claim = claim


@dataclass(frozen=True)
class Key:
    """What a read is of: a foot of the run, or a place in one reader's order of a blind study.

    ``study`` and ``lane`` (the reader of a study, whose reads are kept apart) are empty outside studies.
    """

    item: int
    study: str = ""
    lane: str = ""


@dataclass(frozen=True)
class Subject:
    """The foot itself, written into every entry so that the history speaks without the run."""

    film: str
    film_sha256: str
    foot_index: int
    ground: dict[str, Any] | None = None
    """What the model had left of it, as JSON holds it: by this a later run knows whether the read still stands."""


@dataclass(frozen=True)
class Entry:
    """One line of the history: who left what after which verdict, and the version it made."""

    id: int
    run: str
    key: Key
    version: int
    at: str
    reader: str
    verdict: str
    before: dict[str, Any]
    after: dict[str, Any]
    film: str
    film_sha256: str
    foot_index: int


@dataclass(frozen=True)
class Claim:
    """A foot in a reader's hands until a moment (seconds since 1970)."""

    reader: str
    until: float


class ReadStore:
    """The reads of one run.

    Parameters
    ----------
    url : str
        SQLAlchemy's connection string.
    run : str
        Identity of the run; a store may hold several.

    Attributes
    ----------
    run : str
    beside_its_run : bool
        Whether it is the embedded store of the run's folder: other runs in it are runs before this one.
    looking_only : bool
        Whether the file, or its folder, may not be written: what is shown is a copy, and nothing can be saved.
    notices : tuple of str
        What a reader should know of the store, in sentences.

    Raises
    ------
    StoreError
        If it cannot be opened, is damaged, or is of another version. A damaged file is left as it is.
    """

    def __init__(self, url: str, run: str) -> None:
        self.run = run
        self.beside_its_run = self.looking_only = False
        self._longest_claim = 60.0 * review_settings().claim_minutes
        self._claims_seen: dict[Key, tuple[Claim, float]] = {}
        self._lock = threading.Lock()
        self._identity = ""
        self._acknowledged: tuple[Any, ...] = ()
        self._file: StoreFile | None = None
        self._opened = ExitStack()
        with ExitStack() as failed:
            failed.push(self._opened)
            address = _address(url)
            self.name = address.render_as_string(hide_password=True)
            self._short_name = "the database"
            if address.get_backend_name() == "sqlite":
                self._engine = self._embedded(address)
            else:
                self._engine = sa.create_engine(address, pool_pre_ping=True)
            self._opened.callback(self._engine.dispose)
            self._reading = self._engine.execution_options(isolation_level="AUTOCOMMIT")
            try:
                self.notices = (*self._looking(), *self._set_up())
            except SQLAlchemyError as error:
                raise StoreError(
                    f"{self.name}: cannot be used as a store: {_cause(error)}; nothing was changed"
                ) from error
            failed.pop_all()

    @classmethod
    def beside(cls, folder: Path, run: str) -> ReadStore:
        """The embedded store of a run's folder."""
        store = cls(sa.URL.create("sqlite", database=str(folder / STORE)).render_as_string(), run)
        store.beside_its_run = True
        return store

    def close(self) -> None:
        """End all connections, and throw away a copy that was made for looking."""
        self._opened.close()

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection for looking.

        Raises
        ------
        StoreError
            If the database refuses, or is not the one that the review began with.
        """
        try:
            with self._reading.connect() as connection:
                self._recognise(connection)
                yield connection
        except SQLAlchemyError as error:
            raise StoreError(self._refusal(error)) from error

    @contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """A transaction that others wait for, committed at the end unless something was raised.

        Raises
        ------
        IntegrityError
            If a version is there already.
        StoreError
            If the database refuses, or is not the one that the review began with.
        """
        try:
            with self._alone(), self._engine.begin() as connection:
                if connection.dialect.name == "postgresql":
                    # SQLite lets one writer in at a time by itself (BEGIN IMMEDIATE): entries become visible in the
                    # order of their numbers.
                    connection.execute(sa.text("LOCK TABLE history IN SHARE ROW EXCLUSIVE MODE"))
                self._recognise(connection)
                yield connection
        except IntegrityError:
            raise
        except SQLAlchemyError as error:
            raise StoreError(self._refusal(error)) from error

    def count(self) -> int:
        """Reads of this run."""
        chosen = sa.select(sa.func.count()).select_from(tables.history).where(tables.history.c.run == self.run)
        with self.reading() as connection:
            return int(connection.execute(chosen).scalar_one())

    def save(
        self,
        key: Key,
        version: int,
        reader: str,
        verdict: str,
        subject: Subject,
        before: dict[str, Any],
        after: dict[str, Any],
        request: str = "",
    ) -> Entry:
        """Append a read and make it the foot's current state, both or neither.

        Parameters
        ----------
        version : int
            The version the reader saw; the new one is one higher.
        before, after : dict
            What stood and what stands, as JSON holds it.
        request : str
            Text that marks this save. The same one sent again, since the answer was lost, gives the entry that it
            made and saves nothing.

        Raises
        ------
        StaleReadError
            If the foot has another version by now.
        ClaimedError
            If another reader has it in hand.
        StoreError
            If the database refuses; then nothing is saved.
        """
        self._refuse_to_write()
        about = subject.film, subject.film_sha256, subject.foot_index
        # Its number is not known before it is written.
        entry = Entry(0, self.run, key, version + 1, _now(), reader, verdict, before, after, *about)
        try:
            with self.writing() as connection:
                if request and (made_before := self._by_request(connection, key, reader, request)) is not None:
                    return made_before
                self._refuse_if_taken(connection, key, reader)
                stands = self._version(connection, key)
                if (stands or 0) != version:
                    raise _Overtaken
                if subject.ground is not None and not key.study:
                    lay_ground(connection, self.run, key.item, subject.ground)
                saved = self._append(connection, entry, request)
                self._make_current(connection, saved, first=stands is None)
        except (_Overtaken, IntegrityError):
            raise self._overtaken(key) from None
        self._acknowledge((saved.id, *self._of(key).values(), saved.version, saved.at, reader))
        return saved

    def history(self, key: Key) -> list[Entry]:
        """Every entry of a foot, oldest first."""
        with self.reading() as connection:
            found = connection.execute(
                sa.select(tables.history).where(*self._where(tables.history, key)).order_by(tables.history.c.version)
            )
            return [entry_of(row) for row in found]

    def state(self, key: Key) -> tuple[int, str, str, dict[str, Any]] | None:
        """Version, time, reader and state of one foot; None before its first read."""
        columns = (tables.current.c.version, tables.current.c.at, tables.current.c.reader, tables.current.c.after)
        with self.reading() as connection:
            found = connection.execute(sa.select(*columns).where(*self._where(tables.current, key))).first()
        return None if found is None else (found.version, found.at, found.reader, as_content(found.after))

    def claimed(self, key: Key) -> Claim | None:
        """Who has a foot in hand now."""
        with self.reading() as connection:
            return self._claim(connection, key)

    def since(self, last: int, study: str = "", lane: str = "") -> Iterator[Entry]:
        """Entries after number ``last``, oldest first, of the plain review or of one reader of a study."""
        chosen = (
            tables.history.c.run == self.run,
            tables.history.c.study == study,
            tables.history.c.lane == lane,
            tables.history.c.id > last,
        )
        with self.reading() as connection:
            yield from map(
                entry_of, connection.execute(sa.select(tables.history).where(*chosen).order_by(tables.history.c.id))
            )

    def entries(self) -> Iterator[Entry]:
        """The whole history of the run, studies included, in the order in which it was written."""
        with self.reading() as connection:
            chosen = sa.select(tables.history).where(tables.history.c.run == self.run).order_by(tables.history.c.id)
            yield from map(entry_of, connection.execute(chosen))

    def current(self, study: str = "", lane: str = "") -> Iterator[tuple[int, int, str, str, dict[str, Any]]]:
        """Item, version, time, reader and state of every foot that has a read."""
        columns = (
            tables.current.c.item,
            tables.current.c.version,
            tables.current.c.at,
            tables.current.c.reader,
            tables.current.c.after,
        )
        chosen = (tables.current.c.run == self.run, tables.current.c.study == study, tables.current.c.lane == lane)
        with self.reading() as connection:
            for item, version, at, reader, after in connection.execute(sa.select(*columns).where(*chosen)):
                yield item, version, at, reader, as_content(after)

    def last_id(self) -> int:
        """Number of the newest entry, 0 if there is none."""
        with self.reading() as connection:
            return connection.execute(sa.select(sa.func.max(tables.history.c.id))).scalar() or 0

    def claim(self, key: Key, reader: str, seconds: float) -> Claim:
        """Take a foot in hand, or keep it.

        Raises
        ------
        ClaimedError
            If another reader has it.
        """
        self._refuse_to_write()
        until = time.time() + seconds
        with self.writing() as connection:
            self._refuse_if_taken(connection, key, reader)
            connection.execute(sa.delete(tables.claims).where(*self._where(tables.claims, key)))
            connection.execute(sa.insert(tables.claims).values(**self._of(key), reader=reader, until=until))
        return Claim(reader, until)

    def release(self, key: Key, reader: str) -> None:
        """Give a foot back; another reader's claim stays."""
        self._refuse_to_write()
        with self.writing() as connection:
            connection.execute(
                sa.delete(tables.claims).where(*self._where(tables.claims, key), tables.claims.c.reader == reader)
            )

    def claims(self) -> dict[int, Claim]:
        """Claims that hold now, by item, outside studies."""
        chosen = (tables.claims.c.run == self.run, tables.claims.c.study == "", tables.claims.c.until > time.time())
        with self.reading() as connection:
            found = connection.execute(
                sa.select(tables.claims.c.item, tables.claims.c.reader, tables.claims.c.until).where(*chosen)
            )
            rows = [(item, self._holds(Key(item), Claim(reader, until))) for item, reader, until in found]
        return {item: claim for item, claim in rows if claim is not None}

    def _claim(self, connection: sa.Connection, key: Key) -> Claim | None:
        """The claim of a foot if it holds now."""
        found = connection.execute(
            sa.select(tables.claims.c.reader, tables.claims.c.until).where(*self._where(tables.claims, key))
        ).first()
        return self._holds(key, Claim(*found)) if found else None

    def _holds(self, key: Key, claim: Claim) -> Claim | None:
        """A claim unless it has run out: by the clock, or by how long this server has seen it.

        The clock may have been set back since, or be another machine's. No claim lasts longer than any may, measured
        from when it was first seen here by a clock that nobody sets; each renewal makes another claim.
        """
        now, ticks = time.time(), time.monotonic()
        if claim.until <= now:
            return None
        with self._lock:
            seen, since = self._claims_seen.get(key, (None, ticks))
            if seen != claim:
                since = ticks
            self._claims_seen[key] = claim, since
        left = since + self._longest_claim - ticks
        return Claim(claim.reader, min(claim.until, now + left)) if left > 0 else None

    def _refuse_if_taken(self, connection: sa.Connection, key: Key, reader: str) -> None:
        claim = self._claim(connection, key)
        if claim is not None and claim.reader != reader:
            raise ClaimedError(claim)

    def _version(self, connection: sa.Connection, key: Key) -> int | None:
        """Version of a foot's current state; None before its first read."""
        chosen = sa.select(tables.current.c.version).where(*self._where(tables.current, key))
        found: int | None = connection.execute(chosen).scalar()
        return found

    def _append(self, connection: sa.Connection, entry: Entry, request: str) -> Entry:
        """Write an entry into the history; the same with the number that it has there."""
        row = {
            **self._state_row(entry),
            "film": entry.film,
            "film_sha256": entry.film_sha256,
            "foot_index": entry.foot_index,
            "verdict": entry.verdict,
            "request": request,
            "before": as_text(entry.before),
        }
        made = connection.execute(sa.insert(tables.history).values(row).returning(tables.history.c.id)).scalar_one()
        return replace(entry, id=made)

    def _make_current(self, connection: sa.Connection, entry: Entry, *, first: bool) -> None:
        row = self._state_row(entry)
        if first:
            connection.execute(sa.insert(tables.current).values(row))
        else:
            chosen = self._where(tables.current, entry.key)
            connection.execute(sa.update(tables.current).where(*chosen).values(row))

    def _state_row(self, entry: Entry) -> dict[str, Any]:
        who = {"version": entry.version, "at": entry.at, "reader": entry.reader}
        return {**self._of(entry.key), **who, "after": as_text(entry.after)}

    def _overtaken(self, key: Key) -> StaleReadError | StoreError:
        """What is raised where the database does not hold the version that the reader saw."""
        entries = self.history(key)
        if entries:
            return StaleReadError(entries[-1])
        return StoreError(
            f"The store holds no read of this foot, but this page shows one. {KEPT} Open the foot in another "
            "tab to see what stands, then save it there."
        )

    def _by_request(self, connection: sa.Connection, key: Key, reader: str, request: str) -> Entry | None:
        marked = (tables.history.c.reader == reader, tables.history.c.request == request)
        found = connection.execute(sa.select(tables.history).where(*self._where(tables.history, key), *marked)).first()
        return None if found is None else entry_of(found)

    def _of(self, key: Key) -> dict[str, Any]:
        return {"run": self.run, "study": key.study, "lane": key.lane, "item": key.item}

    def _where(self, table: sa.Table, key: Key) -> list[sa.ColumnElement[bool]]:
        return [table.c[name] == value for name, value in self._of(key).items()]

    def _embedded(self, address: sa.URL) -> sa.Engine:
        """An engine over a file; over a copy of it where neither it nor its folder may be written."""
        elsewhere = address.host or address.username or address.query
        if elsewhere or not address.database or address.database == ":memory:":
            raise StoreError("the store's address cannot be used: give the path of a file, sqlite:///PATH, and no more")
        path = Path(address.database)
        self._short_name = path.name
        _check_file(path)
        file = StoreFile(path)
        try:
            file.make()
            self.looking_only = not os.access(path.parent, os.W_OK | os.X_OK)
        except OSError as error:
            if not path.parent.is_dir():
                raise StoreError(
                    f"{path}: cannot be used as a store ({error.strerror}); nothing was changed"
                ) from error
            self.looking_only = True
        if self.looking_only:
            file = self._copy(path)
        else:
            self._file = file
        self._opened.callback(file.close)
        with closing(file.connect()) as raw, suppress(sqlite3.OperationalError):
            # An older program kept a write-ahead log; while one still has the file open, so it stays.
            raw.execute("PRAGMA journal_mode=DELETE")
        # A connection for every use: none can go on with a file that is no longer the one at the path.
        engine = sa.create_engine("sqlite://", creator=file.connect, poolclass=sa.NullPool)
        event.listen(engine, "begin", _begin_at_once)
        return engine

    def _copy(self, path: Path) -> StoreFile:
        copy = Path(self._opened.enter_context(tempfile.TemporaryDirectory(prefix="raysplay-")), path.name)
        file = StoreFile(copy)
        try:
            if path.exists() and path.stat().st_size:
                copy_for_looking(path, copy)
            else:
                file.make()
        except (sqlite3.Error, OSError) as error:
            raise StoreError(f"{path}: the reads cannot be looked at: {in_words(error)}") from error
        return file

    def _looking(self) -> Iterator[str]:
        if self.looking_only:
            yield (
                f"{self._short_name} or its folder may not be written: this review is for looking only, as of its "
                "start. Nothing can be saved. To read, allow it to be written or start the review with --store."
            )

    def _refuse_to_write(self) -> None:
        if self.looking_only:
            raise StoreError(
                f"This review is for looking only: {self._short_name} or its folder may not be written. {KEPT} "
                "Allow it to be written, then start the review again."
            )

    @contextmanager
    def _alone(self) -> Iterator[None]:
        if self._file is None:
            yield
        else:
            with self._file.alone():
                yield

    def _recognise(self, connection: sa.Connection) -> None:
        """See that this is the store that the review began with, and that what was acknowledged is in it.

        Raises
        ------
        StoreError
            If it is not. Once the right one is back, all goes on.
        """
        if not self._identity:
            return
        about = tables.about.c
        try:
            found = connection.execute(sa.select(about.value).where(about.name == "identity")).scalar()
        except SQLAlchemyError as error:
            code = primary_code(error.orig if isinstance(error, DBAPIError) else None)
            if code != sqlite3.SQLITE_ERROR:
                raise
            found = None  # no such table: an emptied file, or another database
        if found != self._identity:
            raise StoreError(
                f"Another file lies in the place of {self._short_name}, or it was emptied: it is not the store that "
                f"this review began with. {KEPT} Put the right file back, then save again; or end the review and start "
                "it again to go on with the file that is there now."
            )
        if self._acknowledged and not self._there(connection, self._acknowledged):
            raise StoreError(
                f"Reads that were saved are missing from {self._short_name}: an older copy of it lies in its place. "
                f"{KEPT} Put the newest file back, then save again; or end the review and start it again to go on with "
                "the older copy, without those reads."
            )
        if self._file is not None:
            self._file.hold()

    def _there(self, connection: sa.Connection, mark: tuple[Any, ...]) -> bool:
        found = connection.execute(_marks().where(tables.history.c.id == mark[0])).first()
        return found is not None and tuple(found) == mark

    def _acknowledge(self, mark: tuple[Any, ...]) -> None:
        """Find a saved entry again, as whoever opens the store next will."""
        with self.reading() as connection:
            if not self._there(connection, mark):
                raise StoreError(
                    f"The read was not found again in {self._short_name} after it was saved. {KEPT} Save it again."
                )
        with self._lock:
            self._acknowledged = max(self._acknowledged, mark, key=lambda one: one[:1])

    def _refusal(self, error: SQLAlchemyError) -> str:
        return sentence(self._short_name, error.orig if isinstance(error, DBAPIError) else None)

    def _set_up(self) -> Iterator[str]:
        with self._engine.begin() as connection:
            tables.metadata.create_all(connection)
            about = dict.fromkeys(("schema", "identity")) | {
                row.name: row.value for row in connection.execute(sa.select(tables.about))
            }
            version = about["schema"]
            if version is None:
                connection.execute(sa.insert(tables.about).values(name="schema", value=tables.LAYOUT))
            elif version != tables.LAYOUT:
                raise StoreError(
                    f"{self.name}: made by another version of raysplay (layout {version}, not {tables.LAYOUT})"
                )
            identity = about["identity"]
            if identity is None:
                identity = secrets.token_hex(16)
                connection.execute(sa.insert(tables.about).values(name="identity", value=identity))
        if self._engine.dialect.name not in ("sqlite", "postgresql"):
            yield "This kind of database is not guarded against changes of the history from outside."
        with self._engine.begin() as connection:
            self._check_history(connection)
            if not self._states_agree(connection):
                self.rebuild(connection)
                yield "The table of current states did not agree with the history and was written anew from it."
            newest = connection.execute(_marks().order_by(tables.history.c.id.desc()).limit(1)).first()
        self._identity, self._acknowledged = identity, tuple(newest or ())

    def _check_history(self, connection: sa.Connection) -> None:
        """Versions of every foot run from 1 without a gap."""
        keys = [tables.history.c[name] for name in tables.KEY]
        version = tables.history.c.version
        broken = (
            sa.select(tables.history.c.item)
            .where(tables.history.c.run == self.run)
            .group_by(*keys)
            .having(sa.or_(sa.func.min(version) != 1, sa.func.max(version) != sa.func.count()))
        )
        found = connection.execute(broken).first()
        if found is not None:
            raise StoreError(
                f"{self.name}: reads are missing from the history of foot {found[0]}. Restore the store from a copy; "
                "it was left as it is"
            )

    def _latest(self) -> sa.Select[Any]:
        """The last entry of every foot."""
        keys = [tables.history.c[name] for name in tables.KEY]
        last = sa.select(sa.func.max(tables.history.c.id)).where(tables.history.c.run == self.run).group_by(*keys)
        names = (*tables.KEY, "version", "at", "reader", "after")
        return sa.select(*(tables.history.c[name] for name in names)).where(tables.history.c.id.in_(last))

    def _states_agree(self, connection: sa.Connection) -> bool:
        latest = self._latest().subquery()
        same = sa.and_(*(latest.c[column.name] == column for column in tables.current.c))
        agreeing = connection.execute(
            sa.select(sa.func.count()).select_from(latest.join(tables.current, same))
        ).scalar()
        entries = connection.execute(sa.select(sa.func.count()).select_from(latest)).scalar()
        states = connection.execute(
            sa.select(sa.func.count()).select_from(tables.current).where(tables.current.c.run == self.run)
        ).scalar()
        return agreeing == entries == states

    def rebuild(self, connection: sa.Connection) -> None:
        """Write the current states of this run anew from its history."""
        connection.execute(sa.delete(tables.current).where(tables.current.c.run == self.run))
        connection.execute(
            sa.insert(tables.current).from_select([column.name for column in tables.current.c], self._latest())
        )


class _Overtaken(Exception):  # noqa: N818
    """The version in the database is not the one the reader saw."""


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def _marks() -> sa.Select[Any]:
    """What tells an entry from one that another copy of the store may have under its number."""
    names = ("id", *tables.KEY, "version", "at", "reader")
    return sa.select(*(tables.history.c[name] for name in names))


def _address(url: str) -> sa.URL:
    try:
        address = sa.engine.make_url(url)
        address.get_dialect().import_dbapi()
    except (ArgumentError, NoSuchModuleError, ImportError, ValueError) as error:
        raise StoreError("the store's address cannot be used: it is not whole, or no driver for it is there") from error
    return address


def _begin_at_once(connection: sa.Connection) -> None:
    """Take the write lock as a transaction begins (SQLAlchemy's pages on SQLite; the driver begins none itself)."""
    if connection.get_execution_options().get("isolation_level") != "AUTOCOMMIT":
        connection.exec_driver_sql("BEGIN IMMEDIATE")


def _check_file(path: Path) -> None:
    """Refuse a file that is no sound database, without opening it for writing; one that cannot be told is let pass."""
    if not path.exists():
        return
    if not path.is_file():
        raise StoreError(f"{path}: is no file, and so no store of reads")
    if path.stat().st_size == 0:
        return
    try:
        with opened_for_reading(path) as raw:
            sound = raw.execute("PRAGMA quick_check(1)").fetchone() == ("ok",)
            tables_there = {name for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    except (sqlite3.Error, OSError) as error:
        if primary_code(error) not in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            raise StoreError(f"{path}: the store cannot be used: {in_words(error)}. It was left as it is") from error
        sound, tables_there = False, set()
    if tables_there and tables.history.name not in tables_there:
        raise StoreError(f"{path}: is a database, but no store of reads. It was left as it is")
    if not sound:
        raise StoreError(
            f"{path}: the store is damaged. It was left as it is. Restore a copy of it, "
            "or move it and the files beside it that begin with its name away: a new store is begun then"
        )


def as_text(content: dict[str, Any]) -> str:
    """Content as the store keeps it."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def as_content(text: str) -> dict[str, Any]:
    """Content from what the store keeps.

    Raises
    ------
    StoreError
        If somebody wrote something else there.
    """
    try:
        content = from_json(text)
    except ValueError:
        content = None
    if not isinstance(content, dict):
        raise StoreError(f"a read in the store cannot be made out: it is damaged. {KEPT} Restore a copy of it")
    return content


def entry_of(row: sa.Row[Any]) -> Entry:
    """An entry from a row of the history."""
    key = Key(row.item, row.study, row.lane)
    content = as_content(row.before), as_content(row.after)
    about = row.film, row.film_sha256, row.foot_index
    return Entry(row.id, row.run, key, row.version, row.at, row.reader, row.verdict, *content, *about)


def lay_ground(connection: sa.Connection, run: str, item: int, ground: dict[str, Any]) -> None:
    """Keep what the model had left of a foot, once."""
    of = tables.grounds.c.run == run, tables.grounds.c.item == item
    if connection.execute(sa.select(tables.grounds.c.item).where(*of)).first() is None:
        connection.execute(sa.insert(tables.grounds).values(run=run, item=item, ground=as_text(ground)))


def _cause(error: SQLAlchemyError) -> str:
    """Why the database refuses, without statement and parameters."""
    return in_words(error.orig if isinstance(error, DBAPIError) and error.orig is not None else error)

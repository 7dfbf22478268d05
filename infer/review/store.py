"""Where reads are kept: an append-only history in an SQL database, and the current state that follows from it.

A read is acknowledged after its transaction is committed. SQLite runs with a write-ahead log and
``synchronous=FULL``: a commit survives a crash of the process and of the machine (sqlite.org, pragma synchronous).
Every entry carries the version it makes of its foot, unique in the database: of two readers who saw the same version,
one is refused.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from pydantic_core import from_json
from sqlalchemy import event
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError, SQLAlchemyError

FILE_NAME = "review.sqlite"
"""The embedded store, in the folder of its run."""

_SCHEMA = "1"
_BUSY_SECONDS = 30.0

_metadata = sa.MetaData()

_about = sa.Table(
    "about",
    _metadata,
    sa.Column("name", sa.String(40), primary_key=True),
    sa.Column("value", sa.String(200), nullable=False),
)

_key = ("run", "study", "lane", "item")


def _key_columns(primary: bool) -> list[sa.Column[Any]]:
    return [
        sa.Column("run", sa.String(64), primary_key=primary, nullable=False),
        sa.Column("study", sa.String(120), primary_key=primary, nullable=False),
        sa.Column("lane", sa.String(16), primary_key=primary, nullable=False),
        sa.Column("item", sa.Integer, primary_key=primary, autoincrement=False, nullable=False),
    ]


_history = sa.Table(
    "history",
    _metadata,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=True),
    *_key_columns(primary=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("at", sa.String(32), nullable=False),
    sa.Column("reader", sa.String(16), nullable=False),
    sa.Column("film", sa.Text, nullable=False),
    sa.Column("film_sha256", sa.String(64), nullable=False),
    sa.Column("foot_index", sa.Integer, nullable=False),
    sa.Column("verdict", sa.String(24), nullable=False),
    sa.Column("request", sa.String(64), nullable=False),
    sa.Column("before", sa.Text, nullable=False),
    sa.Column("after", sa.Text, nullable=False),
    sa.UniqueConstraint(*_key, "version"),
    sqlite_autoincrement=True,
)

_current = sa.Table(
    "current",
    _metadata,
    *_key_columns(primary=True),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("at", sa.String(32), nullable=False),
    sa.Column("reader", sa.String(16), nullable=False),
    sa.Column("after", sa.Text, nullable=False),
)

_claims = sa.Table(
    "claims",
    _metadata,
    *_key_columns(primary=True),
    sa.Column("reader", sa.String(16), nullable=False),
    sa.Column("until", sa.Float, nullable=False),
)

for _change in ("UPDATE", "DELETE"):
    event.listen(
        _history,
        "after_create",
        sa.DDL(
            f"CREATE TRIGGER history_refuses_{_change.lower()} BEFORE {_change} ON history "
            "BEGIN SELECT RAISE(ABORT, 'the history is append-only'); END"
        ).execute_if(dialect="sqlite"),
    )
event.listen(
    _history,
    "after_create",
    sa.DDL(
        "CREATE FUNCTION history_refuses() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'the history is append-only'; END $$; "
        "CREATE TRIGGER history_refuses_change BEFORE UPDATE OR DELETE ON history "
        "FOR EACH ROW EXECUTE FUNCTION history_refuses(); "
        "CREATE TRIGGER history_refuses_truncate BEFORE TRUNCATE ON history "
        "FOR EACH STATEMENT EXECUTE FUNCTION history_refuses()"
    ).execute_if(dialect="postgresql"),
)


class StoreError(Exception):
    """A store that cannot be used; the message says what is wrong and what to do. Nothing was changed."""


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


@dataclass(frozen=True)
class Entry:
    """One line of the history: who left what after which verdict, and the version it made."""

    id: int
    key: Key
    version: int
    at: str
    reader: str
    verdict: str
    before: dict[str, Any]
    after: dict[str, Any]
    film: str
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
    notices : tuple of str
        What a reader should know of the store, in sentences.

    Raises
    ------
    StoreError
        If it cannot be opened, is damaged, or is of another version. A damaged file is left as it is.
    """

    def __init__(self, url: str, run: str) -> None:
        self._run = run
        try:
            address = sa.engine.make_url(url)
            self._engine = sa.create_engine(address, **_options(address))
        except (ArgumentError, NoSuchModuleError, ImportError) as error:
            raise StoreError(
                f"the store's address cannot be used ({type(error).__name__}: no driver for it?)"
            ) from error
        self.name = address.render_as_string(hide_password=True)
        if address.get_backend_name() == "sqlite":
            _check_file(Path(address.database or ""))
            _prepare_sqlite(self._engine)
        self._reading = self._engine.execution_options(isolation_level="AUTOCOMMIT")
        try:
            self.notices = tuple(self._set_up())
        except SQLAlchemyError as error:
            raise StoreError(
                f"{self.name}: cannot be used as a store ({_cause(error)}); nothing was changed"
            ) from error

    @classmethod
    def beside(cls, folder: Path, run: str) -> ReadStore:
        """The embedded store of a run's folder."""
        return cls(sa.URL.create("sqlite", database=str(folder / FILE_NAME)).render_as_string(), run)

    def close(self) -> None:
        self._engine.dispose()

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
        row = {
            **self._of(key),
            "version": version + 1,
            "at": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "reader": reader,
        }
        content = {"after": _text(after)}
        about = {"film": subject.film, "film_sha256": subject.film_sha256, "foot_index": subject.foot_index}
        try:
            with self._engine.begin() as connection:
                self._serialise(connection)
                if request and (made_before := self._by_request(connection, key, reader, request)) is not None:
                    return made_before
                claim = self._claim(connection, key)
                if claim is not None and claim.reader != reader and claim.until > time.time():
                    raise ClaimedError(claim)
                stands = connection.execute(sa.select(_current.c.version).where(*self._where(_current, key))).scalar()
                if (stands or 0) != version:
                    raise _Overtaken
                full = {**row, **content, **about, "verdict": verdict, "request": request, "before": _text(before)}
                made = connection.execute(sa.insert(_history).values(full).returning(_history.c.id)).scalar_one()
                if stands is None:
                    connection.execute(sa.insert(_current).values({**row, **content}))
                else:
                    change = {"version": version + 1, "at": row["at"], "reader": reader, **content}
                    connection.execute(sa.update(_current).where(*self._where(_current, key)).values(change))
        except (_Overtaken, IntegrityError):
            entries = self.history(key)
            if not entries:
                raise StoreError("the version does not fit: this foot has no read yet") from None
            raise StaleReadError(entries[-1]) from None
        except SQLAlchemyError as error:
            raise StoreError(f"the read could not be saved ({_cause(error)})") from error
        return Entry(
            made, key, version + 1, str(row["at"]), reader, verdict, before, after, subject.film, subject.foot_index
        )

    def history(self, key: Key) -> list[Entry]:
        """Every entry of a foot, oldest first."""
        with self._reading.connect() as connection:
            found = connection.execute(
                sa.select(_history).where(*self._where(_history, key)).order_by(_history.c.version)
            )
            return [_entry(row) for row in found]

    def state(self, key: Key) -> tuple[int, str, str, dict[str, Any]] | None:
        """Version, time, reader and state of one foot; None before its first read."""
        columns = (_current.c.version, _current.c.at, _current.c.reader, _current.c.after)
        with self._reading.connect() as connection:
            found = connection.execute(sa.select(*columns).where(*self._where(_current, key))).first()
        return None if found is None else (found.version, found.at, found.reader, from_json(found.after))

    def claimed(self, key: Key) -> Claim | None:
        """Who has a foot in hand now."""
        with self._reading.connect() as connection:
            claim = self._claim(connection, key)
        return claim if claim is not None and claim.until > time.time() else None

    def since(self, last: int, study: str = "", lane: str = "") -> Iterator[Entry]:
        """Entries after number ``last``, oldest first, of the plain review or of one reader of a study."""
        chosen = (_history.c.run == self._run, _history.c.study == study, _history.c.lane == lane, _history.c.id > last)
        with self._reading.connect() as connection:
            yield from map(_entry, connection.execute(sa.select(_history).where(*chosen).order_by(_history.c.id)))

    def entries(self) -> Iterator[Entry]:
        """The whole history of the run, studies included, oldest first."""
        with self._reading.connect() as connection:
            chosen = sa.select(_history).where(_history.c.run == self._run).order_by(_history.c.id)
            yield from map(_entry, connection.execute(chosen))

    def current(self, study: str = "", lane: str = "") -> Iterator[tuple[int, int, str, str, dict[str, Any]]]:
        """Item, version, time, reader and state of every foot that has a read."""
        columns = (_current.c.item, _current.c.version, _current.c.at, _current.c.reader, _current.c.after)
        chosen = (_current.c.run == self._run, _current.c.study == study, _current.c.lane == lane)
        with self._reading.connect() as connection:
            for item, version, at, reader, after in connection.execute(sa.select(*columns).where(*chosen)):
                yield item, version, at, reader, from_json(after)

    def last_id(self) -> int:
        """Number of the newest entry, 0 if there is none."""
        with self._reading.connect() as connection:
            return connection.execute(sa.select(sa.func.max(_history.c.id))).scalar() or 0

    def claim(self, key: Key, reader: str, seconds: float) -> Claim:
        """Take a foot in hand, or keep it.

        Raises
        ------
        ClaimedError
            If another reader has it.
        """
        until = time.time() + seconds
        try:
            with self._engine.begin() as connection:
                self._serialise(connection)
                held = self._claim(connection, key)
                if held is not None and held.reader != reader and held.until > time.time():
                    raise ClaimedError(held)
                connection.execute(sa.delete(_claims).where(*self._where(_claims, key)))
                connection.execute(sa.insert(_claims).values(**self._of(key), reader=reader, until=until))
        except SQLAlchemyError as error:
            raise StoreError(f"the foot could not be claimed ({_cause(error)})") from error
        return Claim(reader, until)

    def release(self, key: Key, reader: str) -> None:
        """Give a foot back; another reader's claim stays."""
        with self._engine.begin() as connection:
            connection.execute(sa.delete(_claims).where(*self._where(_claims, key), _claims.c.reader == reader))

    def claims(self) -> dict[int, Claim]:
        """Claims that hold now, by item, outside studies."""
        chosen = (_claims.c.run == self._run, _claims.c.study == "", _claims.c.until > time.time())
        with self._reading.connect() as connection:
            found = connection.execute(sa.select(_claims.c.item, _claims.c.reader, _claims.c.until).where(*chosen))
            return {item: Claim(reader, until) for item, reader, until in found}

    def _claim(self, connection: sa.Connection, key: Key) -> Claim | None:
        found = connection.execute(
            sa.select(_claims.c.reader, _claims.c.until).where(*self._where(_claims, key))
        ).first()
        return Claim(*found) if found else None

    def _by_request(self, connection: sa.Connection, key: Key, reader: str, request: str) -> Entry | None:
        marked = (_history.c.reader == reader, _history.c.request == request)
        found = connection.execute(sa.select(_history).where(*self._where(_history, key), *marked)).first()
        return None if found is None else _entry(found)

    def _of(self, key: Key) -> dict[str, Any]:
        return {"run": self._run, "study": key.study, "lane": key.lane, "item": key.item}

    def _where(self, table: sa.Table, key: Key) -> list[sa.ColumnElement[bool]]:
        return [table.c[name] == value for name, value in self._of(key).items()]

    def _serialise(self, connection: sa.Connection) -> None:
        """Let one writer in at a time, so that entries become visible in the order of their numbers.

        SQLite does so by itself (BEGIN IMMEDIATE).
        """
        if connection.dialect.name == "postgresql":
            connection.execute(sa.text("LOCK TABLE history IN SHARE ROW EXCLUSIVE MODE"))

    def _set_up(self) -> Iterator[str]:
        with self._engine.begin() as connection:
            _metadata.create_all(connection)
            version = connection.execute(sa.select(_about.c.value).where(_about.c.name == "schema")).scalar()
            if version is None:
                connection.execute(sa.insert(_about).values(name="schema", value=_SCHEMA))
            elif version != _SCHEMA:
                raise StoreError(f"{self.name}: made by another version of raysplay (layout {version}, not {_SCHEMA})")
        if self._engine.dialect.name not in ("sqlite", "postgresql"):
            yield "This kind of database is not guarded against changes of the history from outside."
        with self._engine.begin() as connection:
            self._check_history(connection)
            if not self._states_agree(connection):
                self._rebuild(connection)
                yield "The table of current states did not agree with the history and was written anew from it."
        if self._engine.dialect.name == "sqlite":
            with self._reading.connect() as connection:
                others = connection.execute(
                    sa.select(sa.func.count()).select_from(_history).where(_history.c.run != self._run)
                ).scalar_one()
            if others:
                yield f"The store also holds {others} reads of an earlier run of this folder: kept, but not shown."

    def _check_history(self, connection: sa.Connection) -> None:
        """Versions of every foot run from 1 without a gap."""
        keys = [_history.c[name] for name in _key]
        version = _history.c.version
        broken = (
            sa.select(_history.c.item)
            .where(_history.c.run == self._run)
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
        keys = [_history.c[name] for name in _key]
        last = sa.select(sa.func.max(_history.c.id)).where(_history.c.run == self._run).group_by(*keys)
        names = (*_key, "version", "at", "reader", "after")
        return sa.select(*(_history.c[name] for name in names)).where(_history.c.id.in_(last))

    def _states_agree(self, connection: sa.Connection) -> bool:
        latest = self._latest().subquery()
        same = sa.and_(*(latest.c[column.name] == column for column in _current.c))
        agreeing = connection.execute(sa.select(sa.func.count()).select_from(latest.join(_current, same))).scalar()
        entries = connection.execute(sa.select(sa.func.count()).select_from(latest)).scalar()
        states = connection.execute(
            sa.select(sa.func.count()).select_from(_current).where(_current.c.run == self._run)
        ).scalar()
        return agreeing == entries == states

    def _rebuild(self, connection: sa.Connection) -> None:
        connection.execute(sa.delete(_current).where(_current.c.run == self._run))
        connection.execute(sa.insert(_current).from_select([column.name for column in _current.c], self._latest()))


class _Overtaken(Exception):  # noqa: N818
    """The version in the database is not the one the reader saw."""


def _options(address: sa.URL) -> dict[str, Any]:
    if address.get_backend_name() != "sqlite":
        return {"pool_pre_ping": True}
    return {"connect_args": {"timeout": _BUSY_SECONDS, "check_same_thread": False}}


def _prepare_sqlite(engine: sa.Engine) -> None:
    """WAL, full synchronisation, and transactions that take the write lock as they begin.

    As SQLAlchemy's pages on SQLite describe it: the driver's own transactions are turned off.
    """

    @event.listens_for(engine, "connect")
    def _connected(raw: sqlite3.Connection, _: object) -> None:
        raw.isolation_level = None
        raw.execute("PRAGMA journal_mode=WAL")
        raw.execute("PRAGMA synchronous=FULL")

    @event.listens_for(engine, "begin")
    def _begun(connection: sa.Connection) -> None:
        if connection.get_execution_options().get("isolation_level") != "AUTOCOMMIT":
            connection.exec_driver_sql("BEGIN IMMEDIATE")


def _check_file(path: Path) -> None:
    """Refuse a file that is no sound database, without opening it for writing."""
    if not path.exists() or path.stat().st_size == 0:
        return
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=_BUSY_SECONDS)) as raw:
            found = raw.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.Error as error:
        found = (str(error),)
    if found != ("ok",):
        raise StoreError(
            f"{path}: the store is damaged ({found[0].splitlines()[0]}). It was left as it is. Restore a copy of it, "
            "or move it and the files beside it that begin with its name away: a new store is begun then"
        )


def _text(content: dict[str, Any]) -> str:
    return json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _entry(row: sa.Row[Any]) -> Entry:
    key = Key(row.item, row.study, row.lane)
    before, after = from_json(row.before), from_json(row.after)
    return Entry(row.id, key, row.version, row.at, row.reader, row.verdict, before, after, row.film, row.foot_index)


def _cause(error: SQLAlchemyError) -> str:
    """What the database says, without statement and parameters."""
    text = str(error.orig) if isinstance(error, DBAPIError) and error.orig is not None else type(error).__name__
    return text.splitlines()[0]

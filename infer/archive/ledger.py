"""The ledger of a run: every film that was read, with all that was read of it, kept as soon as it is known.

A film's rows are kept in one transaction. In the folder of the run it is an SQLite file with a write-ahead log and
``synchronous=NORMAL``: what was kept survives the end of the program, however it ends; after a failure of power the
last films may have to be read again, and no table is damaged (sqlite.org, "Write-Ahead Logging", pragma synchronous).
By an address it is kept on a PostgreSQL server, by the same code.
"""

from __future__ import annotations

import importlib
import json
import math
import os
import secrets
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError, SQLAlchemyError

from raysplay.configs.errors import RaysplayError
from raysplay.infer.archive import ledger_tables as tables
from raysplay.infer.films.film_identity import Stamp
from raysplay.infer.outputs.earlier_run import has_ledger
from raysplay.infer.outputs.run_files import LEDGER, LEDGER_ELSEWHERE, LEDGER_FILES, LEDGER_MARK
from raysplay.infer.review.store_trouble import in_words, primary_code

_BUSY_SECONDS = 30.0
_ROWS_AT_ONCE = 1000
_SECRETS = ("password", "sslpassword", "passfile", "sslkey")
"""Of an address (postgresql.org, "Parameter Key Words" of libpq); the last two say where secrets lie."""
_RUN_HERE = "here"
"""The one run of an SQLite ledger."""


class LedgerError(RaysplayError):
    """A ledger that cannot be used; the message names it, says why, and what to do."""


@dataclass(frozen=True)
class Known:
    """What the ledger knows of a file, without its result."""

    place: bytes
    stamp: Stamp | None
    digest: str
    copy_of: bytes | None
    gone: bool
    pictures: tuple[str, ...]
    kinds: frozenset[str]


@dataclass(frozen=True)
class KeptFilm:
    """A row of the tables to come.

    ``content`` is the result (:mod:`.stored_film`); None for a copy, whose original is named.
    """

    place: bytes
    name: str
    content: bytes | None
    original: str
    gone: bool
    pictures: tuple[str, ...]
    unknown: bool = False
    """Whether its bytes were not to be had."""


@dataclass(frozen=True)
class Session:
    """How far one call of the command came; times in seconds by a clock that nobody sets."""

    session: int
    began: str
    last: str
    seconds: float
    films: int
    recent_seconds: float
    recent_films: int
    total: int
    stage: str


class Ledger:
    """The ledger of one run.

    Parameters
    ----------
    folder : Path
        Of the run.
    address : str, optional
        Of a PostgreSQL database; the file in the folder by default, or what the folder says.
    looking : bool
        Whether nothing may be changed.

    Raises
    ------
    LedgerError
        If it cannot be opened, is damaged, or is of another version; it is left as it is then.
    """

    def __init__(self, folder: Path, address: str = "", *, looking: bool = False) -> None:
        self._folder = folder
        self._file = folder / LEDGER
        noted_address, noted_run = _noted(folder)
        self.address = address or noted_address
        self.run = _RUN_HERE
        if self.address:
            self.run = noted_run or secrets.token_hex(16)
            self._engine = _served(self.address)
            self.name = without_password(self.address)
            if noted_address and address and without_password(address) != noted_address:
                raise LedgerError(f"{folder}: its ledger is kept at {noted_address}, not at {self.name}")
        else:
            self.name = str(self._file)
            self._engine = _embedded(self._file, looking)
        try:
            self._set_up(looking, fresh=not noted_run)
        except SQLAlchemyError as error:
            self.close()
            raise LedgerError(f"{self.name}: cannot be used as a ledger ({why(error)})") from error
        except BaseException:
            self.close()
            raise
        self._opened = self._number()

    @classmethod
    def there(cls, folder: Path) -> bool:
        """Whether a run in the folder has a ledger."""
        return os.path.exists(folder / LEDGER) or os.path.exists(folder / LEDGER_ELSEWHERE)

    @classmethod
    def remove(cls, folder: Path, address: str = "") -> None:
        """Forget what was read: the run is begun anew.

        Raises
        ------
        LedgerError
            If the server that keeps it does not answer.
        OSError
            If a file cannot be removed.
        """
        noted, run = "", ""
        with suppress(LedgerError):  # a note that cannot be read leads nowhere
            noted, run = _noted(folder)
        if noted:
            engine = _served(_same_server(address, noted))
            try:
                with engine.begin() as connection:
                    tables.metadata.create_all(connection)
                    for table in tables.metadata.sorted_tables:
                        connection.execute(sa.delete(table).where(table.c.run == run))
            except SQLAlchemyError as error:
                raise LedgerError(
                    f"{noted}: the earlier ledger cannot be removed ({why(error)}); choose another folder, or let "
                    "that server answer"
                ) from error
            finally:
                engine.dispose()
        for name in LEDGER_FILES:
            (folder / name).unlink(missing_ok=True)

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()

    def look_for_file(self) -> None:
        """See that the file that is written into is still the one that lies in the folder.

        A system keeps a file that was removed as long as somebody writes into it; all of it would be lost at the end.

        Raises
        ------
        LedgerError
            If it is not.
        """
        if self._number() != self._opened:
            raise LedgerError(f"{self.name}: was removed, or replaced by another file, while it was written into")

    def _number(self) -> tuple[int, int] | None:
        if self.address:
            return None
        with suppress(OSError):
            about = os.stat(self._file)
            return about.st_dev, about.st_ino
        return None

    @property
    def about(self) -> dict[str, Any]:
        """What is known of the run itself, by name."""
        chosen = sa.select(tables.about.c.name, tables.about.c.value).where(tables.about.c.run == self.run)
        with self._engine.connect() as connection:
            return {name: json.loads(value) for name, value in connection.execute(chosen)}

    def note(self, **values: Any) -> None:
        """Keep what is known of the run itself."""
        with self._writing() as connection:
            self._note(connection, values)

    def forget_files(self) -> None:
        """Forget which files there are, and keep what was read of their bytes."""
        with self._writing() as connection:
            connection.execute(sa.delete(tables.films).where(tables.films.c.run == self.run))

    def known(self) -> Iterator[Known]:
        """Every file, in the order of the tables."""
        films, results = tables.films, tables.results
        chosen = (
            sa.select(
                *(films.c[name] for name in ("place", "size", "changed_ns", "number", "digest", "copy_of", "gone")),
                sa.func.coalesce(films.c.kinds, "").label("kinds"),
                results.c.pictures,
            )
            .select_from(self._with_results())
            .where(films.c.run == self.run)
            .order_by(films.c.place)
        )
        for row in self._rows(chosen):
            marks = None if row.size is None else Stamp(row.size, row.changed_ns, row.number)
            yield Known(
                bytes(row.place),
                marks,
                row.digest,
                None if row.copy_of is None else bytes(row.copy_of),
                bool(row.gone),
                _lines(row.pictures),
                frozenset(row.kinds.split()),
            )

    def kept(self) -> Iterator[KeptFilm]:
        """Every film with its result, in the order of the tables.

        Raises
        ------
        LedgerError
            If a film has none: the ledger is damaged.
        """
        films, results, original = tables.films, tables.results, tables.films.alias("original")
        joined = self._with_results().outerjoin(
            original, sa.and_(original.c.run == films.c.run, original.c.place == films.c.copy_of)
        )
        chosen = (
            sa.select(
                films.c.place,
                films.c.name,
                films.c.gone,
                films.c.copy_of,
                films.c.digest,
                sa.func.coalesce(films.c.content, results.c.content).label("content"),
                results.c.pictures,
                original.c.name.label("original"),
            )
            .select_from(joined)
            .where(films.c.run == self.run)
            .order_by(films.c.place)
        )
        for row in self._rows(chosen):
            copied = row.copy_of is not None
            content = None if copied or row.content is None else bytes(row.content)
            if content is None and not copied:
                raise LedgerError(f"{self.name}: is damaged: a film has no result. Measure again with --overwrite")
            pictures = () if copied else _lines(row.pictures)
            unknown = not copied and not row.digest
            yield KeptFilm(bytes(row.place), row.name, content, row.original or "", bool(row.gone), pictures, unknown)

    def sizes(self) -> set[int]:
        """Sizes of the files whose results are kept."""
        chosen = sa.select(tables.results.c.size).where(tables.results.c.run == self.run).distinct()
        with self._engine.connect() as connection:
            return {int(size) for (size,) in connection.execute(chosen)}

    def result_of(self, digest: str) -> tuple[tuple[str, ...], bytes] | None:
        """Pictures and result of the film with these bytes; None if it was never read."""
        chosen = sa.select(tables.results.c.pictures, tables.results.c.content).where(*self._result(digest))
        with self._engine.connect() as connection:
            found = connection.execute(chosen).first()
        return None if found is None else (_lines(found[0]), bytes(found[1]))

    def said_of(self, place: bytes) -> bytes | None:
        """What was kept of a file whose bytes could not be read; None if nothing was."""
        films = tables.films.c
        with self._engine.connect() as connection:
            found = connection.execute(
                sa.select(films.content).where(films.run == self.run, films.place == place)
            ).scalar()
        return None if found is None else bytes(found)

    def lone_copies(self, changed: set[bytes]) -> set[bytes]:
        """Places of copies whose original is not there, has other bytes, or is among ``changed``."""
        films, original = tables.films, tables.films.alias("original")
        chosen = (
            sa.select(films.c.place, films.c.copy_of, films.c.digest, original.c.digest, original.c.gone)
            .select_from(
                films.outerjoin(original, sa.and_(original.c.run == films.c.run, original.c.place == films.c.copy_of))
            )
            .where(films.c.run == self.run, films.c.copy_of.is_not(None))
        )
        alone = set()
        for row in self._rows(chosen):
            place, copy_of, digest, other, gone = tuple(row)
            if other != digest or gone or bytes(copy_of) in changed:
                alone.add(bytes(place))
        return alone

    def original(self, digest: str, place: bytes) -> bytes | None:
        """Place of another file that is there, has these bytes, and is no copy; None if there is none."""
        films = tables.films.c
        chosen = (
            sa.select(films.place)
            .where(films.run == self.run, films.digest == digest, films.place != place)
            .where(films.copy_of.is_(None), ~films.gone)
            .order_by(films.place)
            .limit(1)
        )
        with self._engine.connect() as connection:
            found = connection.execute(chosen).first()
        return None if found is None else bytes(found[0])

    def keep(
        self,
        place: bytes,
        name: str,
        marks: Stamp | None,
        digest: str,
        content: bytes,
        outcome: str,
        kinds: Sequence[str],
        *,
        size: int | None = None,
        seconds: float = 0.0,
        pictures: Sequence[str] = (),
    ) -> None:
        """Keep what was read of a film, all or nothing; without ``digest`` it will be read again by the next call.

        ``size``: bytes, where these are not those of the file that bears the marks.
        """
        row = self._file_row(place, name, marks, digest)
        row.update(outcome=outcome, kinds=" ".join(kinds))
        if not digest:
            row["content"] = content
        with self._writing() as connection:
            if digest:
                result = {
                    "run": self.run,
                    "digest": digest,
                    "size": size if size is not None else marks.size if marks else 0,
                    "content": content,
                    "outcome": outcome,
                    "kinds": row["kinds"],
                    "seconds": seconds,
                    "pictures": "\n".join(pictures),
                }
                self._upsert(connection, tables.results, result)
            self._upsert(connection, tables.films, row)

    def keep_copy(self, place: bytes, name: str, marks: Stamp | None, digest: str, original: bytes) -> None:
        """Keep that a file has the bytes of another one."""
        row = self._file_row(place, name, marks, digest) | {"copy_of": original, "outcome": "refused"}
        with self._writing() as connection:
            self._upsert(connection, tables.films, row | {"kinds": "duplicate"})

    def keep_known(self, place: bytes, name: str, marks: Stamp | None, digest: str) -> None:
        """Keep that a file has bytes that were read before, under another name or stamp; a vanished one gives way."""
        films, results = tables.films, tables.results
        with self._writing() as connection:
            found = connection.execute(sa.select(results.c.outcome, results.c.kinds).where(*self._result(digest))).one()
            connection.execute(
                sa.delete(films).where(
                    films.c.run == self.run, films.c.digest == digest, films.c.place != place, films.c.gone
                )
            )
            row = self._file_row(place, name, marks, digest) | {"outcome": found.outcome, "kinds": found.kinds}
            self._upsert(connection, films, row)

    def restamp(self, marks: Mapping[bytes, Stamp]) -> None:
        """Keep new stamps of files whose bytes are the same."""
        films = tables.films.c
        with self._writing() as connection:
            for place, one in marks.items():
                connection.execute(
                    sa.update(tables.films)
                    .where(films.run == self.run, films.place == place)
                    .values(size=one.size, changed_ns=one.changed_ns, number=one.number)
                )

    def mark(self, places: Sequence[bytes], *, gone: bool) -> None:
        """Keep that files are gone, or there again."""
        self._each(places, lambda chosen: sa.update(tables.films).where(*chosen).values(gone=gone))

    def drop(self, places: Sequence[bytes]) -> None:
        """Forget files of which nothing was read."""
        self._each(places, lambda chosen: sa.delete(tables.films).where(*chosen))

    def pictures_of(self, file: str) -> set[str]:
        """Names of the pictures of a file, of its frames and members."""
        with self._engine.connect() as connection:
            digests = self._digests_of(connection, file)
            chosen = sa.select(tables.results.c.pictures).where(
                tables.results.c.run == self.run, tables.results.c.digest.in_(digests)
            )
            return {name for (names,) in connection.execute(chosen) for name in _lines(names)}

    def forget(self, file: str) -> None:
        """Forget a file, its frames and members, and what was read of their bytes: as if it had never been there.

        A result that another file needs, too, stays.
        """
        films, results = tables.films, tables.results
        with self._writing() as connection:
            digests = self._digests_of(connection, file)
            connection.execute(sa.delete(films).where(*self._rows_of(file)))
            needed = sa.select(films.c.digest).where(films.c.run == self.run)
            connection.execute(
                sa.delete(results).where(
                    results.c.run == self.run, results.c.digest.in_(digests), results.c.digest.not_in(needed)
                )
            )

    def sweep(self) -> None:
        """Write the file anew, so that nothing is left in it of rows that are gone; a server sees to that itself.

        sqlite.org, "VACUUM" and "Write-Ahead Logging": the log is emptied, too.
        """
        if self.address:
            return
        with self._engine.connect() as connection:
            raw = connection.connection.driver_connection
            assert raw is not None
            for said in ("PRAGMA temp_store=MEMORY", "VACUUM", "PRAGMA wal_checkpoint(TRUNCATE)"):
                raw.execute(said)

    def _digests_of(self, connection: sa.Connection, file: str) -> set[str]:
        chosen = sa.select(tables.films.c.digest).where(*self._rows_of(file), tables.films.c.digest != "")
        return set(connection.execute(chosen).scalars())

    def _rows_of(self, file: str) -> tuple[sa.ColumnElement[bool], ...]:
        films = tables.films.c
        inside = films.name.startswith(f"{file}/", autoescape=True)
        return films.run == self.run, sa.or_(films.name == file, inside)

    def begin_session(self, total: int) -> int:
        """Keep that a call of the command began; its number."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        with self._writing() as connection:
            number = connection.execute(
                sa.select(sa.func.coalesce(sa.func.max(tables.sessions.c.session), 0)).where(
                    tables.sessions.c.run == self.run
                )
            ).scalar_one()
            first = {"session": number + 1, "began": now, "last": now, "total": total, "stage": "reading"}
            times = {"seconds": 0.0, "films": 0, "recent_seconds": 0.0, "recent_films": 0}
            connection.execute(sa.insert(tables.sessions).values(run=self.run, **first, **times))
        return int(number) + 1

    def beat(self, session: int, **values: Any) -> None:
        """Keep how far a session has come."""
        now = datetime.now(UTC).isoformat(timespec="seconds")
        chosen = tables.sessions.c.run == self.run, tables.sessions.c.session == session
        with self._writing() as connection:
            connection.execute(sa.update(tables.sessions).where(*chosen).values(last=now, **values))

    def end_sessions(self) -> None:
        """Keep that nothing is left to do of what earlier calls began."""
        sessions = tables.sessions.c
        with self._writing() as connection:
            chosen = sessions.run == self.run, sessions.stage != "done"
            connection.execute(sa.update(tables.sessions).where(*chosen).values(stage="done"))

    def sessions(self) -> list[Session]:
        """Every call of the command, the first one first."""
        names = list(Session.__dataclass_fields__)
        chosen = sa.select(*(tables.sessions.c[name] for name in names)).where(tables.sessions.c.run == self.run)
        with self._engine.connect() as connection:
            return [Session(*row) for row in connection.execute(chosen.order_by(tables.sessions.c.session))]

    def counts(self) -> dict[tuple[str, bool], int]:
        """Files by worst outcome and whether they are gone."""
        films = tables.films.c
        chosen = sa.select(films.outcome, films.gone, sa.func.count()).where(films.run == self.run)
        with self._engine.connect() as connection:
            found = connection.execute(chosen.group_by(films.outcome, films.gone))
            return {(outcome, bool(gone)): count for outcome, gone, count in found}

    def slowest(self, most: int) -> list[tuple[str, float]]:
        """Names of the films that took longest, with their seconds."""
        films, results = tables.films, tables.results
        chosen = (
            sa.select(films.c.name, results.c.seconds)
            .select_from(self._with_results())
            .where(films.c.run == self.run, films.c.copy_of.is_(None), results.c.seconds > 0)
            .order_by(results.c.seconds.desc(), films.c.place)
            .limit(most)
        )
        with self._engine.connect() as connection:
            return [(name, float(seconds)) for name, seconds in connection.execute(chosen)]

    def times(self, most: int, shares: Sequence[float]) -> tuple[list[tuple[str, float]], list[float], int]:
        """Names and seconds of the films that took longest; seconds that these shares of the films stayed within
        (0..1, none where no seconds are kept); and how many films these are."""
        results = tables.results.c
        chosen = sa.select(results.seconds).where(results.run == self.run, results.seconds > 0)
        with self._engine.connect() as connection:
            spent = sorted(seconds for (seconds,) in connection.execute(chosen))
        within = [spent[max(math.ceil(share * len(spent)) - 1, 0)] for share in shares] if spent else []
        return self.slowest(most), within, len(spent)

    def of_kinds(self, kinds: Sequence[str], most: int) -> tuple[int, list[tuple[str, str]]]:
        """How many files have one of these kinds of reason, and the first of them with theirs."""
        films = tables.films.c
        padded = sa.literal(" ") + films.kinds + sa.literal(" ")
        chosen = films.run == self.run, sa.or_(*(padded.contains(f" {kind} ", autoescape=True) for kind in kinds))
        with self._engine.connect() as connection:
            count = connection.execute(sa.select(sa.func.count()).select_from(tables.films).where(*chosen)).scalar_one()
            found = connection.execute(
                sa.select(films.name, films.kinds).where(*chosen).order_by(films.place).limit(most)
            )
            return int(count), [(name, kind) for name, kind in found]

    def unknown(self, but: Sequence[str]) -> int:
        """Files whose bytes were not to be had, but those of these kinds of reason."""
        films = tables.films.c
        chosen = films.run == self.run, films.digest == "", films.copy_of.is_(None), films.kinds.not_in(list(but))
        with self._engine.connect() as connection:
            return int(
                connection.execute(sa.select(sa.func.count()).select_from(tables.films).where(*chosen)).scalar_one()
            )

    def _set_up(self, looking: bool, *, fresh: bool) -> None:
        if not looking:
            with self._writing() as connection:
                tables.metadata.create_all(connection)
        layout = self.about.get("layout")
        if layout is None and not looking:
            self.note(layout=tables.LAYOUT, identity=secrets.token_hex(16))
        elif layout != tables.LAYOUT:
            raise LedgerError(
                f"{self.name}: made by another version of Raysplay (layout {layout}, not {tables.LAYOUT}). Use that "
                "version, choose another folder, or pass --overwrite to measure all films again"
            )
        if self.address and fresh and not looking:
            note = self._folder / f"{LEDGER_ELSEWHERE}.new"
            note.write_text(
                json.dumps({"address": without_password(self.address), "run": self.run}) + "\n", encoding="utf-8"
            )
            note.replace(self._folder / LEDGER_ELSEWHERE)

    @contextmanager
    def _writing(self) -> Iterator[sa.Connection]:
        with self._engine.begin() as connection:
            yield connection

    def _rows(self, chosen: sa.Select[Any]) -> Iterator[sa.Row[Any]]:
        with self._engine.connect() as connection:
            yield from connection.execution_options(yield_per=_ROWS_AT_ONCE).execute(chosen)

    def _with_results(self) -> sa.Join:
        films, results = tables.films, tables.results
        return films.outerjoin(results, sa.and_(results.c.run == films.c.run, results.c.digest == films.c.digest))

    def _result(self, digest: str) -> tuple[sa.ColumnElement[bool], ...]:
        return tables.results.c.run == self.run, tables.results.c.digest == digest

    def _file_row(self, place: bytes, name: str, marks: Stamp | None, digest: str) -> dict[str, Any]:
        size, changed, number = (None, None, None) if marks is None else (marks.size, marks.changed_ns, marks.number)
        return {
            "run": self.run,
            "place": place,
            "name": name,
            "size": size,
            "changed_ns": changed,
            "number": number,
            "digest": digest,
            "copy_of": None,
            "gone": False,
            "content": None,
        }

    def _upsert(self, connection: sa.Connection, table: sa.Table, row: dict[str, Any]) -> None:
        connection.execute(_upserting(table, connection.dialect.name), row)

    def _each(self, places: Sequence[bytes], change: Any) -> None:
        films = tables.films.c
        with self._writing() as connection:
            for start in range(0, len(places), _ROWS_AT_ONCE // 2):
                some = places[start : start + _ROWS_AT_ONCE // 2]
                connection.execute(change((films.run == self.run, films.place.in_(some))))

    def _note(self, connection: sa.Connection, values: Mapping[str, Any]) -> None:
        for name, value in values.items():
            row = {"run": self.run, "name": name, "value": json.dumps(value)}
            self._upsert(connection, tables.about, row)


@cache
def _upserting(table: sa.Table, dialect: str) -> sa.Insert:
    """Made once for each table: making it takes longer than carrying it out."""
    made = importlib.import_module(f"sqlalchemy.dialects.{dialect}").insert(table)  # the one that is used, alone
    keys = [column.name for column in table.primary_key]
    others = {column.name: made.excluded[column.name] for column in table.columns if column.name not in keys}
    upserting: sa.Insert = made.on_conflict_do_update(index_elements=keys, set_=others)
    return upserting


def _embedded(path: Path, looking: bool) -> sa.Engine:
    if looking and not path.exists():
        raise LedgerError(f"{path}: there is no ledger; is this the folder of a run?")
    if looking and not path.stat().st_size:
        raise LedgerError(f"{path}: is empty: the run ended before it had read a film. The same command begins it anew")
    if path.exists() and path.stat().st_size and not has_ledger(path.parent):
        raise LedgerError(f"{path}: is no ledger of Raysplay, or damaged; it was left as it is")

    def connect() -> sqlite3.Connection:
        mode = "rwc" if not looking else "ro&immutable=1" if _at_rest(path) else "ro"
        opened = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode={mode}", uri=True, timeout=_BUSY_SECONDS, check_same_thread=False
        )
        opened.isolation_level = None
        if not looking:
            if not has_ledger(path.parent):  # before the log is there: the file itself must show what it is
                opened.execute(f"PRAGMA application_id={int.from_bytes(LEDGER_MARK)}")
            opened.execute("PRAGMA journal_mode=WAL")  # stays as it was where the file system cannot
            opened.execute("PRAGMA synchronous=NORMAL")
        return opened

    engine = sa.create_engine("sqlite://", creator=connect, poolclass=sa.QueuePool, pool_size=2)
    if not looking:
        event.listen(engine, "begin", _begin_at_once)
    return engine


def _at_rest(path: Path) -> bool:
    """Whether a ledger has a log by its head and none beside it, so that nobody writes into it.

    Then it can be looked at where nothing may be written, and nothing is left beside it (sqlite.org, "Write-Ahead
    Logging", read-only databases; "Database File Format", bytes 18 and 19).
    """
    with path.open("rb") as stream:
        return stream.read(20)[18:] == b"\2\2" and not path.with_name(f"{path.name}-wal").exists()


def _begin_at_once(connection: sa.Connection) -> None:
    """The driver begins none itself (SQLAlchemy's pages on SQLite)."""
    connection.exec_driver_sql("BEGIN")


def _served(address: str) -> sa.Engine:
    try:
        url = sa.engine.make_url(address)
        if url.get_backend_name() != "postgresql":
            raise LedgerError("the ledger's address must be that of a PostgreSQL database: postgresql+psycopg://...")
        engine = sa.create_engine(url, pool_pre_ping=True)
    except (ArgumentError, NoSuchModuleError, ImportError, ValueError) as error:
        raise LedgerError(
            "the ledger's address cannot be used: it is not whole, or no driver for it is there (the extra postgresql)"
        ) from error
    event.listen(engine, "connect", _commit_without_waiting)
    return engine


def _commit_without_waiting(connection: Any, _: Any) -> None:
    """As in the file: after a failure of the server's power the last films may have to be read again, and no table is
    damaged (postgresql.org, "Asynchronous Commit")."""
    with connection.cursor() as cursor:
        cursor.execute("SET synchronous_commit TO off")
    connection.commit()


def _noted(folder: Path) -> tuple[str, str]:
    """Address and name of a ledger that is kept elsewhere, by what lies in the folder; empty if none is."""
    try:
        about = json.loads((folder / LEDGER_ELSEWHERE).read_text(encoding="utf-8"))
        return str(about["address"]), str(about["run"])
    except FileNotFoundError:
        return "", ""
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise LedgerError(f"{folder / LEDGER_ELSEWHERE}: cannot be read; restore it, or pass --overwrite") from error


def without_password(address: str) -> str:
    """An address with nothing secret in it.

    Raises
    ------
    ArgumentError
        If it is none.
    """
    # URL.set(password=None) would leave the password where it is.
    url = sa.engine.make_url(address)
    bare = sa.URL.create(url.drivername, url.username, None, url.host, url.port, url.database, url.query)
    return bare.difference_update_query(_SECRETS).render_as_string(hide_password=False)


def _same_server(address: str, noted: str) -> str:
    with suppress(ArgumentError):
        if address and without_password(address) == noted:
            return address
    return noted


def _lines(text: str | None) -> tuple[str, ...]:
    return tuple(text.split("\n")) if text else ()


_REMEDIES = {
    **dict.fromkeys((sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED), "end that program"),
    **dict.fromkeys(
        (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB),
        "put a sound copy in its place, or measure all films again with --overwrite",
    ),
}


def why(error: SQLAlchemyError) -> str:
    """Why the database refuses and what helps, without statement and parameters."""
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    remedy = _REMEDIES.get(primary_code(cause))
    return f"{in_words(cause)}: {remedy}" if remedy else in_words(cause)

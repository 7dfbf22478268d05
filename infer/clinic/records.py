"""What a desk remembers beside its run: films that came, what was stated of them by whom, and what was written.

Rows are added and never changed; the database itself refuses it. What holds of a film is its last statement.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.owner_only import make_file

_LAYOUT = 1

_TABLES = """
CREATE TABLE films (
  number INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE, name TEXT NOT NULL UNIQUE, given TEXT NOT NULL,
  bytes INTEGER NOT NULL, arrived TEXT NOT NULL, by TEXT NOT NULL);
CREATE TABLE statements (
  id INTEGER PRIMARY KEY, film INTEGER NOT NULL REFERENCES films(number), version INTEGER NOT NULL, at TEXT NOT NULL,
  by TEXT NOT NULL, stated TEXT NOT NULL, UNIQUE (film, version));
CREATE TABLE documents (
  id INTEGER PRIMARY KEY, person TEXT NOT NULL, kind TEXT NOT NULL, language TEXT NOT NULL, at TEXT NOT NULL,
  by TEXT NOT NULL, confirmed INTEGER NOT NULL, ground TEXT NOT NULL, fields TEXT NOT NULL, name TEXT NOT NULL UNIQUE);
"""
_KEPT = ("films", "statements", "documents")


class RecordsError(RaysplayError):
    """The desk's database cannot be used; the message says why, without what it holds."""


class StaleStatementError(Exception):
    """Somebody stated something of the film since the page loaded it."""


@dataclass(frozen=True)
class ArrivedFilm:
    """A film that was dropped.

    Attributes
    ----------
    number : int
        From 1, in the order of arrival.
    sha256 : str
    name : str
        Of its file in the desk's folder, given by the desk.
    given : str
        As the file was called where it came from; shown on the page alone.
    bytes : int
    arrived : str
        ISO 8601.
    by : str
        Initials.
    """

    number: int
    sha256: str
    name: str
    given: str
    bytes: int
    arrived: str
    by: str


@dataclass(frozen=True)
class Statement:
    """What was stated of a film, whole; ``version`` 0 says nothing yet."""

    film: int
    version: int = 0
    at: str = ""
    by: str = ""
    stated: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Document:
    """A report or a letter that was written.

    Attributes
    ----------
    id : int
    person, kind, language, at, by : str
    confirmed : bool
        Whether ``by`` stands for it.
    ground : str
        Digest of the numbers and statements that it holds.
    fields : dict
        What was written by hand.
    name : str
        Of its files, without ending.
    """

    id: int
    person: str
    kind: str
    language: str
    at: str
    by: str
    confirmed: bool
    ground: str
    fields: dict[str, Any]
    name: str


class Records:
    """The database of a desk.

    Parameters
    ----------
    path : Path
        Made if missing.

    Raises
    ------
    RecordsError
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.Lock()
        try:
            if not path.exists():
                make_file(path)
            self._connection = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
            self._connection.execute("PRAGMA synchronous = FULL")
            self._connection.execute("PRAGMA foreign_keys = ON")
            (layout,) = self._connection.execute("PRAGMA user_version").fetchone()
            if layout == 0:
                self._set_up()
            elif layout != _LAYOUT:
                raise RecordsError(f"{path}: was made by another version of raysplay")
        except (sqlite3.Error, OSError) as error:
            raise RecordsError(f"{path}: cannot be used ({_cause(error)})") from error

    def _set_up(self) -> None:
        refused = "".join(
            f"CREATE TRIGGER {table}_{deed} BEFORE {deed} ON {table} BEGIN SELECT RAISE(ABORT, 'kept'); END;"
            for table in _KEPT
            for deed in ("UPDATE", "DELETE")
        )
        self._connection.executescript(f"BEGIN;{_TABLES}{refused}PRAGMA user_version = {_LAYOUT};COMMIT;")

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._connection.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction; on disk when it ends without an error."""
        with self._lock, self._in_words():
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise
            self._connection.execute("COMMIT")

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            raise RecordsError(f"the desk's database cannot be used ({_cause(error)}). Nothing was saved") from error

    def _rows(self, query: str, *values: Any) -> list[tuple[Any, ...]]:
        with self._lock, self._in_words():
            return self._connection.execute(query, values).fetchall()

    def film_of(self, sha256: str) -> ArrivedFilm | None:
        """The film with these bytes."""
        found = self._rows("SELECT number, sha256, name, given, bytes, arrived, by FROM films WHERE sha256 = ?", sha256)
        return ArrivedFilm(*found[0]) if found else None

    def film(self, number: int) -> ArrivedFilm | None:
        """A film by its number."""
        found = self._rows("SELECT number, sha256, name, given, bytes, arrived, by FROM films WHERE number = ?", number)
        return ArrivedFilm(*found[0]) if found else None

    def films(self) -> list[ArrivedFilm]:
        """All films in the order of arrival."""
        rows = self._rows("SELECT number, sha256, name, given, bytes, arrived, by FROM films ORDER BY number")
        return [ArrivedFilm(*row) for row in rows]

    def add_film(self, sha256: str, given: str, size: int, ending: str, by: str) -> ArrivedFilm:
        """Note a film, and give it its number and name; one that is known stays as it was noted.

        Raises
        ------
        RecordsError
        """
        with self._writing() as connection:
            known = connection.execute(
                "SELECT number, sha256, name, given, bytes, arrived, by FROM films WHERE sha256 = ?", (sha256,)
            ).fetchone()
            if known:
                return ArrivedFilm(*known)
            (last,) = connection.execute("SELECT coalesce(max(number), 0) FROM films").fetchone()
            one = ArrivedFilm(last + 1, sha256, f"film-{last + 1:05}{ending}", given, size, _now(), by)
            connection.execute(
                "INSERT INTO films (number, sha256, name, given, bytes, arrived, by) VALUES "
                "(:number, :sha256, :name, :given, :bytes, :arrived, :by)",
                asdict(one),
            )
        return one

    def statement(self, film: int) -> Statement:
        """What holds of a film."""
        rows = self._rows(
            "SELECT film, version, at, by, stated FROM statements WHERE film = ? ORDER BY version DESC LIMIT 1", film
        )
        return _statement(rows[0]) if rows else Statement(film)

    def statements(self) -> dict[int, Statement]:
        """What holds, by film."""
        rows = self._rows("SELECT film, version, at, by, stated FROM statements ORDER BY version")
        return {row[0]: _statement(row) for row in rows}

    def history(self, film: int) -> list[Statement]:
        """Everything ever stated of a film, oldest first."""
        rows = self._rows("SELECT film, version, at, by, stated FROM statements WHERE film = ? ORDER BY version", film)
        return [_statement(row) for row in rows]

    def state(self, film: int, version: int, by: str, stated: dict[str, Any]) -> Statement:
        """Add a statement over the one that the page has seen.

        Raises
        ------
        StaleStatementError
            If another one was added since.
        RecordsError
        """
        one = Statement(film, version + 1, _now(), by, stated)
        with self._writing() as connection:
            query = "SELECT coalesce(max(version), 0) FROM statements WHERE film = ?"
            (last,) = connection.execute(query, (film,)).fetchone()
            if last != version:
                raise StaleStatementError
            connection.execute(
                "INSERT INTO statements (film, version, at, by, stated) VALUES (?, ?, ?, ?, ?)",
                (film, one.version, one.at, by, json.dumps(stated, sort_keys=True)),
            )
        return one

    def add_document(self, document: Document) -> Document:
        """Note what was written; its number is given here."""
        with self._writing() as connection:
            cursor = connection.execute(
                "INSERT INTO documents (person, kind, language, at, by, confirmed, ground, fields, name) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    document.person,
                    document.kind,
                    document.language,
                    document.at,
                    document.by,
                    int(document.confirmed),
                    document.ground,
                    json.dumps(document.fields, sort_keys=True),
                    document.name,
                ),
            )
            number = cursor.lastrowid
        return Document(**{**asdict(document), "id": number})

    def documents(self, person: str | None = None) -> list[Document]:
        """What was written, of one person or of all, the latest first."""
        where = "" if person is None else " WHERE person = ?"
        query = "SELECT id, person, kind, language, at, by, confirmed, ground, fields, name FROM documents"
        rows = self._rows(f"{query}{where} ORDER BY id DESC", *(() if person is None else (person,)))
        return [_document(row) for row in rows]

    def document(self, number: int) -> Document | None:
        """One of them."""
        query = "SELECT id, person, kind, language, at, by, confirmed, ground, fields, name FROM documents WHERE id = ?"
        rows = self._rows(query, number)
        return _document(rows[0]) if rows else None


def _statement(row: tuple[Any, ...]) -> Statement:
    film, version, at, by, stated = row
    return Statement(film, version, at, by, json.loads(stated))


def _document(row: tuple[Any, ...]) -> Document:
    number, person, kind, language, at, by, confirmed, ground, written, name = row
    return Document(number, person, kind, language, at, by, bool(confirmed), ground, json.loads(written), name)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _cause(error: Exception) -> str:
    """What the system says, without values."""
    return (error.strerror or "the system refuses") if isinstance(error, OSError) else str(error).split(":")[0]

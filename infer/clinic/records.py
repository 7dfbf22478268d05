"""What a desk remembers beside its run: films that came, what was stated of them by whom, and what was written.

Rows are added and never changed; the database itself refuses it. What holds of a film is its last statement. The one
way out is a withdrawal: a film that was dropped by mistake goes with all that names it, and a row stays that says that
one went, when, by whom and why. What the database freed is written over.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.owner_only import make_file

_LAYOUT = 2

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
_TABLES_OF_2 = """
CREATE TABLE used (
  document INTEGER NOT NULL REFERENCES documents(id), film INTEGER NOT NULL, PRIMARY KEY (document, film));
CREATE TABLE withdrawn (
  number INTEGER PRIMARY KEY, at TEXT NOT NULL, by TEXT NOT NULL, why TEXT NOT NULL, sha256 TEXT NOT NULL,
  name TEXT NOT NULL, swept INTEGER NOT NULL);
CREATE TABLE deleted (
  document INTEGER PRIMARY KEY REFERENCES documents(id), at TEXT NOT NULL, by TEXT NOT NULL, swept INTEGER NOT NULL);
"""
"""``used``: films that a paper stands on. ``withdrawn``: digest and name are there only until all of the film is gone,
``swept`` once nothing of it is left in the database's own file. ``deleted``: papers whose files were deleted."""
_KEPT = {
    "films_update": "UPDATE ON films",
    "films_delete": "DELETE ON films WHEN NOT EXISTS (SELECT 1 FROM withdrawn WHERE number = OLD.number)",
    "statements_update": "UPDATE ON statements",
    "statements_delete": "DELETE ON statements WHEN NOT EXISTS (SELECT 1 FROM withdrawn WHERE number = OLD.film)",
    "documents_update": (
        "UPDATE ON documents WHEN NEW.fields <> '{}' OR NOT EXISTS (SELECT 1 FROM deleted WHERE document = OLD.id) "
        "OR (NEW.id, NEW.person, NEW.kind, NEW.language, NEW.at, NEW.by, NEW.confirmed, NEW.ground, NEW.name) IS NOT "
        "(OLD.id, OLD.person, OLD.kind, OLD.language, OLD.at, OLD.by, OLD.confirmed, OLD.ground, OLD.name)"
    ),
    "documents_delete": "DELETE ON documents",
    "used_update": "UPDATE ON used",
    "used_delete": "DELETE ON used",
    "withdrawn_update": (
        "UPDATE ON withdrawn WHEN (NEW.number, NEW.at, NEW.by, NEW.why) IS NOT (OLD.number, OLD.at, OLD.by, OLD.why)"
    ),
    "withdrawn_delete": "DELETE ON withdrawn",
    "deleted_update": ("UPDATE ON deleted WHEN (NEW.document, NEW.at, NEW.by) IS NOT (OLD.document, OLD.at, OLD.by)"),
    "deleted_delete": "DELETE ON deleted",
}
"""What the database refuses."""


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


@dataclass(frozen=True)
class Withdrawn:
    """A film that was taken off the desk.

    Attributes
    ----------
    number : int
    at, by, why : str
    sha256, name : str
        Of the film and of its file; empty once nothing of the film is left outside of this database.
    swept : bool
        Whether nothing of it is left in the database's file either.
    """

    number: int
    at: str
    by: str
    why: str
    sha256: str = ""
    name: str = ""
    swept: bool = False


@dataclass(frozen=True)
class Deleted:
    """A paper whose files were deleted; that it was written stays."""

    document: int
    at: str
    by: str
    swept: bool = False


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
            self._connection.execute("PRAGMA secure_delete = ON")
            self._connection.execute("PRAGMA temp_store = MEMORY")
            (layout,) = self._connection.execute("PRAGMA user_version").fetchone()
            if layout < _LAYOUT:
                self._set_up(layout)
            elif layout != _LAYOUT:
                raise RecordsError(f"{path}: was made by another version of raysplay")
        except (sqlite3.Error, OSError) as error:
            raise RecordsError(f"{path}: cannot be used ({_cause(error)})") from error

    def _set_up(self, layout: int) -> None:
        """Make the tables, or those that an earlier version had not."""
        made = (_TABLES if layout == 0 else "") + _TABLES_OF_2
        former = "".join(f"DROP TRIGGER IF EXISTS {name};" for name in _KEPT)
        refused = "".join(
            f"CREATE TRIGGER {name} BEFORE {deed} BEGIN SELECT RAISE(ABORT, 'kept'); END;"
            for name, deed in _KEPT.items()
        )
        self._connection.executescript(f"BEGIN;{made}{former}{refused}PRAGMA user_version = {_LAYOUT};COMMIT;")

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
            # A number that a withdrawn film had is given to no other.
            (last,) = connection.execute(
                "SELECT coalesce(max(number), 0) FROM (SELECT number FROM films UNION SELECT number FROM withdrawn)"
            ).fetchone()
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

    def add_document(self, document: Document, films: Iterable[int] = ()) -> Document:
        """Note what was written, and the films that it stands on; its number is given here."""
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
            connection.executemany(
                "INSERT INTO used (document, film) VALUES (?, ?)", [(number, film) for film in sorted(set(films))]
            )
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

    def used(self) -> dict[int, set[int]]:
        """Films that papers stand on, by the number of the paper; none of one that an earlier version wrote."""
        found: dict[int, set[int]] = {}
        for document, film in self._rows("SELECT document, film FROM used"):
            found.setdefault(document, set()).add(film)
        return found

    def withdrawals(self) -> list[Withdrawn]:
        """Films that were taken off the desk, the latest first."""
        rows = self._rows(
            "SELECT number, at, by, why, sha256, name, swept FROM withdrawn ORDER BY at DESC, number DESC"
        )
        return [
            Withdrawn(number, at, by, why, sha256, name, bool(swept))
            for number, at, by, why, sha256, name, swept in rows
        ]

    def deletions(self) -> dict[int, Deleted]:
        """Papers whose files were deleted, by number."""
        rows = self._rows("SELECT document, at, by, swept FROM deleted")
        return {document: Deleted(document, at, by, bool(swept)) for document, at, by, swept in rows}

    def withdraw(
        self, film: ArrivedFilm, by: str, why: str, papers: Iterable[int], deleted: Iterable[int]
    ) -> Withdrawn:
        """Take a film off the desk: from here on it is none of the desk's, whatever is left of it elsewhere.

        Parameters
        ----------
        papers : iterable of int
            Papers that stood on it.
        deleted : iterable of int
            Those among them whose files go with it.

        Raises
        ------
        RecordsError
            If it cannot be kept; nothing was changed then.
        """
        one = Withdrawn(film.number, _now(), by, why, film.sha256, film.name)
        with self._writing() as connection:
            connection.execute(
                "INSERT INTO withdrawn (number, at, by, why, sha256, name, swept) VALUES (?, ?, ?, ?, ?, ?, 0)",
                (one.number, one.at, by, why, one.sha256, one.name),
            )
            connection.executemany(
                "INSERT OR IGNORE INTO used (document, film) VALUES (?, ?)", [(paper, one.number) for paper in papers]
            )
            self._delete_papers(connection, deleted, one.at, by)
            connection.execute("DELETE FROM statements WHERE film = ?", (one.number,))
            connection.execute("DELETE FROM films WHERE number = ?", (one.number,))
        return one

    def delete_papers(self, papers: Iterable[int], by: str) -> None:
        """Keep that the files of papers are deleted; what was written into their fields goes."""
        with self._writing() as connection:
            self._delete_papers(connection, papers, _now(), by)

    def _delete_papers(self, connection: sqlite3.Connection, papers: Iterable[int], at: str, by: str) -> None:
        for paper in papers:
            connection.execute(
                "INSERT OR IGNORE INTO deleted (document, at, by, swept) VALUES (?, ?, ?, 0)", (paper, at, by)
            )
            connection.execute("UPDATE documents SET fields = '{}' WHERE id = ?", (paper,))

    def forget_withdrawn(self, number: int) -> None:
        """Forget digest and name of a film of which nothing is left elsewhere."""
        with self._writing() as connection:
            connection.execute("UPDATE withdrawn SET sha256 = '', name = '' WHERE number = ?", (number,))

    def sweep(self) -> None:
        """Write the file anew, so that nothing is left in it of rows that are gone.

        SQLite writes zeros over what is deleted (pragma secure_delete), but moving rows about may leave a copy of one
        in the free part of a page; that of the file written anew holds none (sqlite.org, "VACUUM").
        """
        with self._lock, self._in_words():
            self._connection.execute("VACUUM")
        with self._writing() as connection:
            connection.execute("UPDATE withdrawn SET swept = 1 WHERE sha256 = '' AND NOT swept")
            connection.execute("UPDATE deleted SET swept = 1 WHERE NOT swept")


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

"""Whether a folder holds reads, told without a server: before a run is overwritten, moved or thrown away."""

from __future__ import annotations

import shutil
import sqlite3
import stat
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from raysplay.infer.outputs.run_files import STORE
from raysplay.infer.review.store_trouble import in_words, primary_code

_BESIDE = ("-wal", "-journal")
"""Ends of names of files that belong to a database whose last user stopped short; SQLite's own."""

_BUSY_SECONDS = 5.0


@dataclass(frozen=True)
class ReadsFound:
    """What a store holds.

    Attributes
    ----------
    reads, feet : int
        Reads ever saved, each once however often it was carried over, and feet and places of studies that have one.
    problem : str
        Why they could not be counted, as a sentence that names the file; then there may be any number.
    """

    reads: int = 0
    feet: int = 0
    problem: str = ""

    def __bool__(self) -> bool:
        """Whether anything could be lost."""
        return bool(self.reads or self.problem)


def reads_in(folder: Path) -> ReadsFound:
    """The reads of all runs that the embedded store of a folder holds; the store is not changed.

    Never raises: a store that cannot be read is told in ``problem``.
    """
    path = folder / STORE
    try:
        about = path.stat()
    except FileNotFoundError:
        return ReadsFound()
    except (OSError, ValueError) as error:
        return ReadsFound(problem=f"{path}: cannot be looked at ({in_words(error)})")
    if not stat.S_ISREG(about.st_mode):
        return ReadsFound(problem=f"{path}: is no file, and so no store of reads")
    if about.st_size == 0:
        return ReadsFound()
    try:
        with opened_for_reading(path) as raw:
            tables = {name for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            if "history" not in tables:
                return ReadsFound(problem=f"{path}: is a database, but no store of reads")
            # Reads that were carried over from an earlier run stand there twice.
            own = "history LEFT JOIN origins USING (run, item, version) WHERE study <> '' OR from_run IS NULL"
            table = own if "origins" in tables else "history"
            (reads,) = raw.execute(f"SELECT count(*) FROM {table}").fetchone()
            (feet,) = raw.execute(
                f"SELECT count(*) FROM (SELECT DISTINCT run, study, lane, item FROM {table})"
            ).fetchone()
        return ReadsFound(reads, feet)
    except (sqlite3.Error, OSError) as error:
        return ReadsFound(problem=f"{path}: the store cannot be read ({in_words(error)}); it may hold reads")


@contextmanager
def opened_for_reading(path: Path) -> Iterator[sqlite3.Connection]:
    """A database, read without writing into its folder.

    A database whose last user stopped short cannot be read in a folder that may not be written (sqlite.org, "Read-only
    WAL-mode databases"; a hot journal): a copy is read then, made where it can be.

    Raises
    ------
    sqlite3.Error, OSError
        If it is no sound database, or cannot be read.
    """
    with closing(_read_only(path)) as raw:
        try:
            raw.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.OperationalError as error:
            shut = primary_code(error) in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY)
            if not shut or not any(Path(f"{path}{end}").exists() for end in _BESIDE):
                raise
        else:
            yield raw
            return
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder, path.name)
        for end in ("", *_BESIDE):
            if Path(f"{path}{end}").exists():
                shutil.copyfile(f"{path}{end}", f"{copy}{end}")
        with closing(sqlite3.connect(copy, timeout=_BUSY_SECONDS)) as raw:
            raw.execute("SELECT count(*) FROM sqlite_master").fetchone()
            yield raw


def _read_only(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=_BUSY_SECONDS)

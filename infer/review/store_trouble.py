"""What keeps a store from being used, in words of this project; SQLite's own are for programmers."""

from __future__ import annotations

import sqlite3

_IN_WORDS = {
    sqlite3.SQLITE_BUSY: "another program holds it",
    sqlite3.SQLITE_LOCKED: "another program holds it",
    sqlite3.SQLITE_READONLY: "it may not be written",
    sqlite3.SQLITE_PERM: "it may not be opened",
    sqlite3.SQLITE_AUTH: "it may not be opened",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened",
    sqlite3.SQLITE_IOERR: "the disk reports an error",
    sqlite3.SQLITE_FULL: "no space is left on the disk",
    sqlite3.SQLITE_CORRUPT: "it is damaged",
    sqlite3.SQLITE_NOTADB: "it is damaged, or no database",
}


def primary_code(error: sqlite3.Error) -> int:
    """SQLite's primary result code (sqlite.org, "Result and Error Codes"); 0 where the error has none."""
    return int(getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF


def in_words(error: BaseException) -> str:
    """Why a store refuses, without a path and without a statement."""
    if isinstance(error, sqlite3.Error):
        return _IN_WORDS.get(primary_code(error), "the database refuses")
    if isinstance(error, OSError):
        return error.strerror or "the system refuses"
    return "the database refuses"

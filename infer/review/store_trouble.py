"""What keeps a store from being used, in words of this project; a database's own are for programmers."""

from __future__ import annotations

import sqlite3

_IN_WORDS = {
    sqlite3.SQLITE_BUSY: "another program holds it",
    sqlite3.SQLITE_LOCKED: "another program holds it",
    sqlite3.SQLITE_READONLY: "it may not be written",
    sqlite3.SQLITE_PERM: "it may not be opened",
    sqlite3.SQLITE_AUTH: "it may not be opened",
    sqlite3.SQLITE_CANTOPEN: "it may not be opened",
    sqlite3.SQLITE_IOERR: "the disk reports an error",
    sqlite3.SQLITE_FULL: "no space is left on the disk",
    sqlite3.SQLITE_CORRUPT: "it is damaged",
    sqlite3.SQLITE_NOTADB: "it is damaged, or no database",
}

_WHAT_TO_DO = {
    sqlite3.SQLITE_BUSY: "End that program, then save again.",
    sqlite3.SQLITE_LOCKED: "End that program, then save again.",
    sqlite3.SQLITE_READONLY: "Allow it to be written, then save again.",
    sqlite3.SQLITE_PERM: "Allow it, then save again.",
    sqlite3.SQLITE_AUTH: "Allow it, then save again.",
    sqlite3.SQLITE_CANTOPEN: "Allow it and its folder to be written, then save again.",
    sqlite3.SQLITE_FULL: "Make room, then save again.",
    sqlite3.SQLITE_CORRUPT: "End the review, put a sound copy in its place, and start the review again.",
    sqlite3.SQLITE_NOTADB: "End the review, put a sound copy in its place, and start the review again.",
}

KEPT = "Nothing typed is lost: keep this page open."
"""What a reader needs to know first."""


def primary_code(error: BaseException | None) -> int:
    """SQLite's primary result code (sqlite.org, "Result and Error Codes"); 0 where the error has none."""
    return int(getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF


def in_words(error: BaseException | None) -> str:
    """Why a store refuses, without a path and without a statement."""
    if isinstance(error, sqlite3.Error):
        return _IN_WORDS.get(primary_code(error), "the database refuses")
    if isinstance(error, OSError):
        return error.strerror or "the system refuses"
    return "the database refuses, or does not answer"


def sentence(name: str, error: BaseException | None) -> str:
    """What a reader before the page is told, and what can be done."""
    todo = _WHAT_TO_DO.get(primary_code(error), "Save again when it does; else end the review and start it again.")
    return f"The reads in {name} cannot be used now: {in_words(error)}. {KEPT} {todo}"

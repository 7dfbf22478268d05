"""The file of an embedded store: for its owner alone, opened by its name for every use, and written back if deleted.

SQLite keeps a rollback journal here, not a write-ahead log: between two saves all reads lie in the one file, which can
be copied, moved and read from a folder that may not be written (sqlite.org, "Atomic Commit In SQLite", "Write-Ahead
Logging").
"""

from __future__ import annotations

import logging
import os
import sqlite3
import stat
import tempfile
import threading
from contextlib import closing, suppress
from pathlib import Path

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.owner_only import FILE_MODE, make_file
from raysplay.infer.review.reads_found import opened_for_reading
from raysplay.infer.review.store_trouble import KEPT

_BUSY_SECONDS = 10.0
_BESIDE = ("-journal", "-wal", "-shm")
_TRIES = 3

log = logging.getLogger(__name__)


class StoreError(RaysplayError):
    """A store that cannot be used; the message says what is wrong and what to do. Nothing was changed."""


class StoreFile:
    """Opens the file, and only the file that lies at its path.

    A file that was deleted keeps its content as long as somebody holds it open: it is written back then, so that reads
    that were acknowledged are not lost.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._held: int | None = None
        self._lock = threading.RLock()

    @property
    def name(self) -> str:
        """Without its folder, as a reader may be told it."""
        return self.path.name

    def make(self) -> None:
        """Make the file if there is none; nobody but its owner may read it, whatever the umask.

        One that is there keeps what its owner has set if that is stricter.

        Raises
        ------
        OSError
            If it can be neither made nor opened for writing.
        """
        with suppress(FileExistsError):
            make_file(self.path)
        os.close(os.open(self.path, os.O_RDWR | getattr(os, "O_NONBLOCK", 0)))
        for end in ("", *_BESIDE):
            _close_to_others(Path(f"{self.path}{end}"))

    def connect(self) -> sqlite3.Connection:
        """A connection to the file that lies at the path, in no transaction.

        Raises
        ------
        StoreError
            If the file is gone.
        sqlite3.Error
            If it cannot be opened.
        """
        for _ in range(_TRIES):
            before = self._identity()
            raw = sqlite3.connect(
                f"{self.path.absolute().as_uri()}?mode=rw",
                uri=True,
                timeout=_BUSY_SECONDS,
                isolation_level=None,
                check_same_thread=False,
            )
            if before == _identity_of(self.path):
                raw.execute("PRAGMA synchronous=EXTRA")
                return raw
            raw.close()
        raise StoreError(f"{self.name} is being replaced over and over. {KEPT}")

    def hold(self) -> None:
        """Keep hold of the content of the file at the path, once it is known to be the right one."""
        with self._lock:
            identity = _identity_of(self.path)
            if identity is None or (self._held is not None and identity == _identity(os.fstat(self._held))):
                return
            held = os.open(self.path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
            if _identity(os.fstat(held)) != identity:
                os.close(held)
                return
            if self._held is not None:
                os.close(self._held)
            self._held = held

    def alone(self) -> threading.RLock:
        """Lock for one writer of this process at a time, so that no half-written file is ever written back."""
        return self._lock

    def close(self) -> None:
        """Let go of the file; only after every connection is closed (sqlite.org, "How To Corrupt", 2.2)."""
        with self._lock:
            if self._held is not None:
                os.close(self._held)
                self._held = None

    def _identity(self) -> tuple[int, int]:
        found = _identity_of(self.path)
        if found is None and self._write_back():
            found = _identity_of(self.path)
        if found is None:
            raise StoreError(
                f"The file that holds the reads, {self.name}, is gone from its folder. {KEPT} "
                "Put the file back where it was, then save again."
            )
        return found

    def _write_back(self) -> bool:
        """Write a deleted file again from what is held of it; never over another file."""
        with self._lock:
            if self._held is None or os.fstat(self._held).st_nlink or not self.path.parent.is_dir():
                return False
            try:
                with tempfile.TemporaryDirectory(dir=self.path.parent, prefix=f".{self.name}-") as folder:
                    copy = Path(folder, self.name)
                    _copy_out(self._held, copy)
                    with closing(sqlite3.connect(copy)) as raw:
                        if raw.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
                            return False
                    _place(copy, self.path)
            except (OSError, sqlite3.Error):
                return False
            log.warning("%s was deleted while the review was running. It was written again, with all reads.", self.name)
            return True


def copy_for_looking(path: Path, copy: Path) -> None:
    """Copy a sound database to where it can be written, whatever its own folder allows.

    Raises
    ------
    sqlite3.Error, OSError
        If it cannot be read.
    """
    make_file(copy)
    with opened_for_reading(path) as raw, closing(sqlite3.connect(copy)) as target:
        raw.backup(target)


def _copy_out(held: int, copy: Path) -> None:
    make_file(copy)
    with copy.open("wb") as stream:
        offset = 0
        while chunk := os.pread(held, 1 << 20, offset):
            stream.write(chunk)
            offset += len(chunk)
        stream.flush()
        os.fsync(stream.fileno())


def _place(copy: Path, path: Path) -> None:
    """Give a file its name unless another has it."""
    try:
        os.link(copy, path)
    except FileExistsError:
        raise
    except OSError:  # a disk without hard links
        if os.path.lexists(path):
            raise
        os.rename(copy, path)


def _identity(about: os.stat_result) -> tuple[int, int]:
    return about.st_dev, about.st_ino


def _identity_of(path: Path) -> tuple[int, int] | None:
    """Device and number of a regular file; None if there is none."""
    try:
        about = path.stat()
    except OSError:
        return None
    return _identity(about) if stat.S_ISREG(about.st_mode) else None


def _close_to_others(path: Path) -> None:
    with suppress(OSError):
        mode = stat.S_IMODE(path.stat().st_mode)
        if mode & ~FILE_MODE:
            path.chmod(mode & FILE_MODE)

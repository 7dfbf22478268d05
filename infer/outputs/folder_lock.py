"""One program at a time writes into a folder."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
import sys
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from types import TracebackType

from filelock import BaseFileLock, FileLock, SoftFileLock, Timeout

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.owner_only import make_file, make_folder
from raysplay.infer.outputs.run_files import LOCK, WRITER

_NO_LOCKS = (errno.ENOLCK, errno.EOPNOTSUPP, errno.EINVAL)
"""What network drives without locks answer; that there is no such call at all, filelock knows by itself."""
_PATIENCE = 2.0
"""Seconds to wait for the note of who writes, which its writer leaves just after it took the folder."""


@contextlib.contextmanager
def taken(folder: Path) -> Iterator[None]:
    """Hold a folder, made if missing; one that was made and got nothing to hold is removed again.

    Raises
    ------
    FolderInUseError, OSError
        As :meth:`FolderLock.take`.
    """
    new = not folder.exists()
    make_folder(folder)
    try:
        with FolderLock(folder):
            yield
    finally:
        if new and not any(folder.iterdir()):
            folder.rmdir()


class FolderInUseError(RaysplayError):
    """A folder that another program writes into; the message names it and says who."""


class FolderLock:
    """Held from :meth:`take` to :meth:`release`, or to the end of the process, however it ends.

    The system itself holds the lock (``flock``, on Windows ``msvcrt.locking``), so that a killed program's is free
    again at once. On a drive without locks a file with process and machine stands for it, which filelock takes away
    where that process is no more.

    Parameters
    ----------
    folder : Path
        Must be there when the lock is taken.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock: BaseFileLock = FileLock(folder / LOCK, timeout=0, mode=0o600)

    def take(self) -> None:
        """Take the folder, or fail at once.

        Raises
        ------
        FolderInUseError
            If another program holds it.
        OSError
            If the folder cannot be written.
        """
        try:
            try:
                self._lock.acquire()
            except OSError as error:
                if isinstance(error, Timeout) or error.errno not in _NO_LOCKS:
                    raise
                self._lock = SoftFileLock(self._folder / f"{LOCK}.held", timeout=0, mode=0o600)
                self._lock.acquire()
        except Timeout:
            raise FolderInUseError(
                f"{self._folder}: {self._writer()} is writing into it; wait for its end, or choose another folder"
            ) from None
        about = {
            "process": os.getpid(),
            "host": socket.gethostname(),
            "since": datetime.now().astimezone().isoformat(sep=" ", timespec="seconds"),
        }
        try:
            note = self._folder / f"{WRITER}.new"
            note.unlink(missing_ok=True)  # of a killed program
            make_file(note)
            note.write_text(json.dumps(about), encoding="utf-8")
            os.replace(note, self._folder / WRITER)
        except BaseException:
            self.release()
            raise

    def release(self) -> None:
        """Let others in; nothing if it is not held."""
        if self._lock.is_locked:
            for name in (WRITER, LOCK):
                # The folder may be gone; Windows keeps an open file. filelock takes no lock on a removed file.
                with contextlib.suppress(OSError):
                    (self._folder / name).unlink()
            self._lock.release()

    def __enter__(self) -> FolderLock:
        self.take()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()

    def _writer(self) -> str:
        until = time.monotonic() + _PATIENCE
        while (about := writer_of(self._folder)) is None and time.monotonic() < until:
            time.sleep(0.02)
        return f"{about}," if about else "another process"


def writer_of(folder: Path) -> str | None:
    """Who writes into a folder, by the note that it left; None where there is none, or one of a killed program.

    Nothing is locked. A program on another machine cannot be looked for: its note counts.
    """
    try:
        about = json.loads((folder / WRITER).read_text(encoding="utf-8"))
        process, host, since = int(about["process"]), about["host"], about["since"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if host == socket.gethostname() and not _runs(process):
        return None
    return f"process {process} on {host}, since {since}"


def _runs(process: int) -> bool:
    if sys.platform == "win32":  # there os.kill ends a process whatever the signal
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True

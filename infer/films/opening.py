"""Opens files that hold bytes, and nothing that could keep a reader waiting."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import BinaryIO

_KINDS = (
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def special(mode: int) -> str | None:
    """What a file of this mode is where it is neither file nor folder; else None."""
    if stat.S_ISREG(mode) or stat.S_ISDIR(mode):
        return None
    return next((words for is_kind, words in _KINDS if is_kind(mode)), "no file") + ", not a regular file"


def open_regular(path: Path) -> BinaryIO:
    """The file at ``path``, for reading.

    Opening a named pipe waits for its other end; here it does not, even if it took the place of a file just now.

    Raises
    ------
    OSError
        If it cannot be opened, or is a pipe, socket, device or folder.
    """
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    handle = os.open(path, flags)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError(None, "not a regular file")
    return os.fdopen(handle, "rb")

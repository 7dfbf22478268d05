"""Opens regular files alone, and none beyond a size: a pipe would be waited for, a device read without end."""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from io import BufferedReader
from pathlib import Path

_QUIET = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)


def open_plain(path: Path, most: int) -> BufferedReader:
    """A regular file, open for reading bytes.

    Looked at before it is opened, since opening a device may do something already, and again after, since it may have
    been changed for another.

    Parameters
    ----------
    path : Path
    most : int
        Largest size in bytes.

    Raises
    ------
    OSError
        If it is missing, no regular file, too large, or cannot be read; ``strerror`` is the reason.
    """
    try:
        _check(os.stat(path), most)
        descriptor = os.open(path, os.O_RDONLY | _QUIET)
    except ValueError as error:
        raise OSError(errno.EINVAL, "no such name is possible") from error
    try:
        _check(os.fstat(descriptor), most)
        with suppress(AttributeError):
            os.set_blocking(descriptor, True)
        return os.fdopen(descriptor, "rb")
    except BaseException:
        os.close(descriptor)
        raise


def read_plain(path: Path, most: int) -> bytes:
    """The bytes of a regular file, at most so many.

    Raises
    ------
    OSError
        As for :func:`open_plain`, and where the file grew beyond ``most`` while it was read.
    """
    with open_plain(path, most) as stream:
        content = stream.read(most + 1)
    if len(content) > most:
        raise _too_large(most)
    return content


def _check(about: os.stat_result, most: int) -> None:
    if not stat.S_ISREG(about.st_mode):
        kind = "a folder" if stat.S_ISDIR(about.st_mode) else "no regular file"
        raise OSError(errno.EINVAL, f"it is {kind}")
    if about.st_size > most:
        raise _too_large(most)


def _too_large(most: int) -> OSError:
    size = f"{most / 2**20:.0f} MiB" if most >= 2**20 else f"{most} bytes"
    return OSError(errno.EFBIG, f"it is larger than {size}")

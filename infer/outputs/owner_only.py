"""What concerns a person's film can be read by its owner alone."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

FILE_MODE, FOLDER_MODE = 0o600, 0o700
_NOT_OTHERS = 0o077


@contextmanager
def owner_only() -> Iterator[None]:
    """Files made meanwhile get mode 0600 and folders 0700, whatever the umask of the user; nothing on Windows.

    It holds for the whole process and for those that it starts. Files and folders that are there already stay as they
    are, and so does a default access list of the folder, which the system puts in the umask's place.
    """
    if os.name != "posix":
        yield
        return
    before = os.umask(_NOT_OTHERS)
    try:
        yield
    finally:
        os.umask(before)


def open_to_others(folder: Path) -> bool:
    """Whether other users of this machine may see what lies in a folder; never on Windows, whose rights differ."""
    return os.name == "posix" and bool(folder.stat().st_mode & _NOT_OTHERS)


def make_file(path: Path) -> None:
    """Make an empty file.

    Raises
    ------
    FileExistsError
        If there is something of that name; it is left as it is.
    OSError
        If it cannot be made.
    """
    descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, FILE_MODE)
    try:
        if hasattr(os, "fchmod"):
            os.fchmod(descriptor, FILE_MODE)  # a umask may have taken the owner's own rights
    finally:
        os.close(descriptor)


def make_folder(path: Path) -> None:
    """Make a folder and those above it that are missing; one that is there stays as it is.

    Raises
    ------
    OSError
        If it cannot be made.
    """
    if path.is_dir():
        return
    if path != path.parent:
        make_folder(path.parent)
    path.mkdir(FOLDER_MODE, exist_ok=True)
    path.chmod(FOLDER_MODE)

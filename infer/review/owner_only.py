"""Files and folders that nobody but their owner may look into, whatever the umask."""

from __future__ import annotations

import os
from pathlib import Path

FILE_MODE, FOLDER_MODE = 0o600, 0o700


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

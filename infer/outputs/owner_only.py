"""What concerns a person's film can be read by its owner alone."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

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

"""A page on disk that leads a browser to the one-time address.

Everybody on a machine can read the command line of a browser that is started (``ps``); a file of one's own, only its
owner. So the browser is given the file, and the file holds the address.
"""

from __future__ import annotations

import contextlib
import html
import os
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path

_PAGE = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="referrer" content="no-referrer">'
    '<meta http-equiv="refresh" content="0; url={address}"><title>Review</title>'
    '<p><a href="{address}">To the review page</a></p></html>\n'
)


@contextlib.contextmanager
def leading_page(address: str, folder: Path) -> Iterator[Path]:
    """The page, for as long as the context lasts or until it is removed.

    It lies in ``folder``, since browsers in a confinement of their own see the user's folders and not those for
    temporary files; where nothing can be written there, or not for its owner alone, in a folder for temporary files.

    Parameters
    ----------
    address : str
        One-time address.
    folder : Path
        Of the run.

    Raises
    ------
    OSError
        If it can be written nowhere.
    """
    path = _written(address, folder) or _written(address, Path(tempfile.gettempdir()))
    if path is None:
        raise OSError("no folder takes a file that its owner alone may read")
    try:
        yield path
    finally:
        path.unlink(missing_ok=True)


def _written(address: str, folder: Path) -> Path | None:
    try:
        descriptor, name = tempfile.mkstemp(prefix="open-review-", suffix=".html", dir=folder.absolute())
    except OSError:
        return None
    path = Path(name)
    with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
        if os.name == "posix" and stat.S_IMODE(os.fstat(stream.fileno()).st_mode) & 0o077:
            path.unlink()  # a disk without owners
            return None
        stream.write(_PAGE.format(address=html.escape(address, quote=True)))
    return path

"""The page as a file: whole, for its owner alone, and nothing replaced that is no report."""

from __future__ import annotations

import os
from pathlib import Path

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.owner_only import owner_only
from raysplay.infer.outputs.whole_file import write_whole
from raysplay.infer.overview.made import is_report


class ReportFileError(RaysplayError, ValueError):
    """A file that cannot take the report; the message names it and says why."""


def check_free(path: Path, *, overwrite: bool) -> None:
    """Refuse, before any work, a place that could not be written later.

    Raises
    ------
    ReportFileError
        If it is no file, a file that no report is, a report that may not be replaced, or its folder cannot be written.
    """
    if os.path.lexists(path):
        if not is_report(path):
            raise ReportFileError(f"{path}: is there and is no report of a run; choose another name")
        if not overwrite:
            raise ReportFileError(f"{path}: is there already; choose another name or pass --overwrite")
    there = path.absolute().parent
    while not os.path.lexists(there):
        there = there.parent
    if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        raise ReportFileError(f"{path}: cannot be written ({there} is no folder that may be written)")


def write_page(path: Path, page: str, *, overwrite: bool) -> None:
    """Write the page, whole or not at all.

    Raises
    ------
    ReportFileError
        As :func:`check_free`, and if the system refuses.
    """
    check_free(path, overwrite=overwrite)
    try:
        with owner_only():
            write_whole(path, page.encode("utf-8"))
    except OSError as error:
        raise ReportFileError(f"{path}: cannot be written ({error.strerror})") from error

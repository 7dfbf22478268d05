"""A table of conditions to be filled in: a row for each film that lacks what would bring it into a report."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from raysplay.infer.outputs.csv_bytes import csv_bytes
from raysplay.infer.visit.conditions import COLUMNS
from raysplay.infer.visit.persons import NO_DAY, NO_PERSON, LeftOut
from raysplay.infer.visit.written import write_reports

BLANK = "conditions.csv"


def lacking(left: Iterable[LeftOut]) -> tuple[str, ...]:
    """Films that a row of the table would bring into a report, each once."""
    return tuple(dict.fromkeys(one.film for one in left if one.why in (NO_PERSON, NO_DAY)))


def write_blank(out: Path, films: Iterable[str]) -> bool:
    """Write the table for its owner alone; False where something of that name lies there, which is left as it is.

    Raises
    ------
    ReportFolderError
        If the folder cannot be written.
    """
    if os.path.lexists(out / BLANK):
        return False
    rows = ((film, *[""] * (len(COLUMNS) - 1)) for film in films)
    write_reports(out, {BLANK: csv_bytes(COLUMNS, rows)}, overwrite=False)
    return True

"""The version of what a run leaves in its folder.

What the tables hold stands in ``tables.py`` (the CSV files) and ``landmarks_table.py``, the names of the files in
``run_files.py``. ``run_writer.py`` writes them and ``finished_run.py`` reads them. Whoever changes them so that a
program of the other version would read a wrong number, or none, adds one to :data:`FORMAT`.
"""

from __future__ import annotations

import importlib.metadata
from pathlib import Path

FORMAT = 1
"""The one format that is written and read."""

KEY = "format"
"""Where ``run.json`` states it; runs of before it had a number lack it."""


def other_format(folder: Path, stated: int | None) -> str:
    """What to say of a run of another format: which it is, what is read, what to do; empty for one that is read."""
    if stated == FORMAT:
        return ""
    reads = f"this version ({importlib.metadata.version('raysplay')}) reads format {FORMAT}"
    about = f"{folder / 'run.json'}: "
    if stated is not None and stated > FORMAT:
        return (
            f"{about}the run has format {stated}, of a newer version of Raysplay; {reads}. Use the version that wrote "
            "it, or measure the films again into another folder"
        )
    has = "no format number" if stated is None else f"format {stated}"
    return (
        f"{about}the run has {has}, so it is of an earlier version of Raysplay; {reads}. Measure the films again: "
        f"raysplay measure FILMS --out {folder} --overwrite --keep-reads. Where the run was reviewed, a read is "
        "carried over where film, side and points are the same, else its foot is open again and the read is in its "
        "history"
    )

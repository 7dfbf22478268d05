"""Whether the tables of a run are still those that it wrote."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path

from raysplay.configs.load import digest
from raysplay.configs.plain_file import read_plain
from raysplay.infer.outputs.run_files import ABOUT

KEY = "tables"
"""Where ``run.json`` keeps SHA-256 by name of the table."""

_MOST_BYTES = 2**24


def changed_table(folder: Path, names: Iterable[str]) -> str:
    """What to say of the first of these tables that is not as its run left it; empty if all are, or none can tell.

    A table that ``run.json`` does not list was written by no run, or its line was taken out. What is missing or cannot
    be read is for the reader of the run to say.
    """
    try:
        written = json.loads(read_plain(folder / ABOUT, _MOST_BYTES))[KEY]
        for name in names:
            now = digest(folder / name)
            if name not in written:
                return (
                    f"{folder / name}: {ABOUT} does not list it, so nothing tells whether its numbers are those that "
                    f"were measured. Put back {ABOUT} as the run wrote it, or measure again with --overwrite "
                    "--keep-reads"
                )
            if now != written[name]:
                return (
                    f"{folder / name}: was changed after the run, so its numbers may not be those that were measured. "
                    "Put back the table as the run wrote it (feet.xlsx is there to be sorted and edited), or measure "
                    "again with --overwrite --keep-reads"
                )
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        pass
    return ""

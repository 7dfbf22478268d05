"""Whether the tables of a run are still those that it wrote."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path

from raysplay.infer.outputs.run_files import ABOUT

KEY = "tables"
"""Where ``run.json`` keeps SHA-256 by name of the table."""


def table_digest(path: Path) -> str:
    """SHA-256 of a file, in hexadecimal, read piece by piece."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def changed_table(folder: Path, names: Iterable[str]) -> str:
    """What to say of the first of these tables that was changed after its run; empty if none was, or none can tell.

    A run of an earlier version holds no digests. What is missing or cannot be read is for its reader to say.
    """
    try:
        about = json.loads((folder / ABOUT).read_bytes())
        for name in names:
            if name in about[KEY] and table_digest(folder / name) != about[KEY][name]:
                return (
                    f"{folder / name}: was changed after the run, so its numbers may not be those that were measured. "
                    "Put back the table as the run wrote it (feet.xlsx is there to be sorted and edited), or measure "
                    "again with --overwrite --keep-reads"
                )
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return ""

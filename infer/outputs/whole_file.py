"""A file that is there whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from raysplay.infer.outputs.owner_only import make_file, make_folder
from raysplay.infer.outputs.run_files import PARTIAL


def write_whole(path: Path, content: bytes) -> None:
    """Write a file for its owner alone, in a folder that is made if missing; one of that name is replaced at the end.

    Raises
    ------
    OSError
        If the system does not allow it; an earlier file is as it was.
    """
    make_folder(path.parent)
    partial = path.with_name(f"{path.name}{PARTIAL}")
    partial.unlink(missing_ok=True)
    make_file(partial)
    partial.write_bytes(content)
    os.replace(partial, path)

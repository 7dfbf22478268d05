"""Which stores outside its folder a run was reviewed with: they cannot be seen in the folder."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from raysplay.configs.plain_file import read_plain
from raysplay.infer.outputs.owner_only import make_file
from raysplay.infer.outputs.run_files import STORES

_MOST_BYTES = 2**20


def note_store(folder: Path, address: str) -> None:
    """Remember that a run is reviewed with a store elsewhere; nothing where the folder cannot be written."""
    path = folder / STORES
    with contextlib.suppress(OSError):
        if not os.path.lexists(path):
            make_file(path)
        if address not in stores_noted(folder) and os.path.isfile(path):
            with path.open("a", encoding="utf-8") as stream:
                stream.write(f"{address}\n")


def stores_noted(folder: Path) -> tuple[str, ...]:
    """Addresses of stores that a review of this folder was opened with, oldest first."""
    try:
        lines = read_plain(folder / STORES, _MOST_BYTES).decode("utf-8", "replace").splitlines()
    except OSError:
        return ()
    return tuple(line for line in lines if line)

"""Which stores outside its folder a run was reviewed with: they cannot be seen in the folder."""

from __future__ import annotations

import contextlib
from pathlib import Path

from raysplay.infer.outputs.run_files import STORES


def note_store(folder: Path, address: str) -> None:
    """Remember that a run is reviewed with a store elsewhere; nothing where the folder cannot be written."""
    with contextlib.suppress(OSError):
        if address not in stores_noted(folder):
            with (folder / STORES).open("a", encoding="utf-8") as stream:
                stream.write(f"{address}\n")


def stores_noted(folder: Path) -> tuple[str, ...]:
    """Addresses of stores that a review of this folder was opened with, oldest first."""
    try:
        lines = (folder / STORES).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ()
    return tuple(line for line in lines if line)

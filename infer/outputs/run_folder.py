"""The folder of a run: nothing in it carries its final name before the run is complete."""

from __future__ import annotations

import os
from pathlib import Path

TABLES = ("feet.csv", "films.csv", "measurements.csv", "landmarks.parquet", "run.json")
OVERLAYS = "overlays"
_PARTIAL = ".partial"


class RunFolderError(ValueError):
    """A folder that cannot take a run; the message names it and says why."""


class RunFolder:
    """Hands out paths of unfinished files and gives them their names at the end.

    Parameters
    ----------
    path : Path
        Made if missing.
    overwrite : bool
        Whether an earlier run in it may be replaced. The earlier run stays whole until :meth:`commit`.

    Raises
    ------
    RunFolderError
        If the folder cannot be made or written, or holds an earlier run that may not be replaced.
    """

    def __init__(self, path: Path, *, overwrite: bool = False) -> None:
        self.path = path
        try:
            path.mkdir(parents=True, exist_ok=True)
            probe = path / f"probe{_PARTIAL}"
            probe.touch()
            probe.unlink()
        except OSError as error:
            raise RunFolderError(f"{path}: cannot be written ({error.strerror})") from error
        if not overwrite and any((path / name).exists() for name in (*TABLES, OVERLAYS)):
            raise RunFolderError(f"{path}: holds an earlier run; choose another folder or pass --overwrite")
        for name in TABLES:
            self.partial(name).unlink(missing_ok=True)
        overlays = path / f"{OVERLAYS}{_PARTIAL}"
        overlays.mkdir(exist_ok=True)
        for picture in overlays.glob("*.png"):
            picture.unlink()

    def partial(self, name: str) -> Path:
        """Path under which the table ``name`` grows."""
        return self.path / f"{name}{_PARTIAL}"

    def overlay(self, name: str) -> Path:
        """Path of an overlay while the run goes on."""
        return self.path / f"{OVERLAYS}{_PARTIAL}" / name

    def commit(self) -> None:
        """Replace an earlier run by this one; ``run.json``, the sign of a complete run, comes last."""
        final = self.path / OVERLAYS
        final.mkdir(exist_ok=True)
        (self.path / "run.json").unlink(missing_ok=True)
        for picture in final.glob("*.png"):
            picture.unlink()
        unfinished = self.path / f"{OVERLAYS}{_PARTIAL}"
        for picture in sorted(unfinished.glob("*.png")):
            os.replace(picture, final / picture.name)
        if not any(unfinished.iterdir()):
            unfinished.rmdir()
        for name in TABLES:
            if self.partial(name).exists():
                os.replace(self.partial(name), self.path / name)

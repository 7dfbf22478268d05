"""The folder of a run: nothing in it carries its final name before the run is complete."""

from __future__ import annotations

import os
from pathlib import Path

TABLES = ("feet.csv", "films.csv", "measurements.csv", "crops.csv", "landmarks.parquet", "run.json")
OVERLAYS = "overlays"
_PARTIAL = ".partial"


class RunFolderError(ValueError):
    """A folder that cannot take a run; the message names it and says why."""


class RunFolder:
    """Hands out paths of unfinished files and gives them their names at the end.

    Nothing is made or changed before :meth:`begin`.

    Parameters
    ----------
    path : Path
    overwrite : bool
        Whether an earlier run in it may be replaced. The earlier run stays whole until :meth:`commit`.

    Raises
    ------
    RunFolderError
        If the folder cannot be made or written, or holds an earlier run that may not be replaced.
    """

    def __init__(self, path: Path, *, overwrite: bool = False) -> None:
        self.path = path
        there = path.absolute()
        while not os.path.lexists(there):
            there = there.parent
        if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
            raise RunFolderError(f"{path}: cannot be written ({there} is no folder that may be written)")
        if not overwrite and any((path / name).exists() for name in (*TABLES, OVERLAYS)):
            raise RunFolderError(f"{path}: holds an earlier run; choose another folder or pass --overwrite")

    def begin(self) -> None:
        """Make the folder if missing and clear away what a stopped run left in it.

        Raises
        ------
        RunFolderError
            If the system does not allow it.
        """
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            probe = self.partial("probe")
            probe.touch()
            probe.unlink()
            for name in TABLES:
                self.partial(name).unlink(missing_ok=True)
            _clear(self.partial(OVERLAYS))
        except OSError as error:
            raise RunFolderError(f"{self.path}: cannot be written ({error.strerror})") from error

    def partial(self, name: str) -> Path:
        """Path under which the table ``name`` grows."""
        return self.path / f"{name}{_PARTIAL}"

    def overlay(self, name: str) -> Path:
        """Path of an overlay while the run goes on; its folder is made with the first of them."""
        unfinished = self.partial(OVERLAYS)
        unfinished.mkdir(exist_ok=True)
        return unfinished / name

    def commit(self) -> None:
        """Replace an earlier run by this one; ``run.json``, the sign of a complete run, comes last."""
        (self.path / "run.json").unlink(missing_ok=True)
        final, unfinished = self.path / OVERLAYS, self.partial(OVERLAYS)
        _clear(final)
        if unfinished.is_dir():
            final.mkdir(exist_ok=True)
            for picture in sorted(unfinished.glob("*.png")):
                os.replace(picture, final / picture.name)
            _clear(unfinished)
        for name in TABLES:
            if self.partial(name).exists():
                os.replace(self.partial(name), self.path / name)


def _clear(overlays: Path) -> None:
    """Remove the pictures of a run, and their folder unless somebody else's files lie in it."""
    if overlays.is_dir():
        for picture in overlays.glob("*.png"):
            picture.unlink()
        if not any(overlays.iterdir()):
            overlays.rmdir()

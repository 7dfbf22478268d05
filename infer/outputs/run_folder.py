"""The folder of a run: nothing in it carries its final name before the run is complete."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from raysplay.infer.outputs.earlier_run import OVERLAYS, PARTIAL, TABLES, written_by_run


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
        If the folder cannot be made or written, or holds an earlier run that may not be replaced, or files of such
        names that no run wrote.
    """

    def __init__(self, path: Path, *, overwrite: bool = False) -> None:
        self.path = path
        there = path.absolute()
        while not os.path.lexists(there):
            there = there.parent
        if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
            raise RunFolderError(f"{path}: cannot be written ({there} is no folder that may be written)")
        taken = [name for name in (*TABLES, OVERLAYS) if os.path.lexists(path / name)]
        written = written_by_run(path) if taken else frozenset()
        foreign = [name for name in taken if path / name not in written and (name != OVERLAYS or not written)]
        if foreign:
            raise RunFolderError(f"{path}: holds {foreign[0]}, which no run wrote; choose another folder")
        if taken and not overwrite:
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
            _clear(self.partial(OVERLAYS), self.partial(OVERLAYS).glob("*.png"))
        except OSError as error:
            raise RunFolderError(f"{self.path}: cannot be written ({error.strerror})") from error

    def partial(self, name: str) -> Path:
        """Path under which the table ``name`` grows."""
        return self.path / f"{name}{PARTIAL}"

    def overlay(self, name: str) -> Path:
        """Path of an overlay while the run goes on; its folder is made with the first of them."""
        unfinished = self.partial(OVERLAYS)
        unfinished.mkdir(exist_ok=True)
        return unfinished / name

    def commit(self) -> None:
        """Replace an earlier run by this one; ``run.json``, the sign of a complete run, comes last."""
        final, unfinished = self.path / OVERLAYS, self.partial(OVERLAYS)
        earlier = [path for path in written_by_run(self.path) if path.parent == final]
        (self.path / "run.json").unlink(missing_ok=True)
        _clear(final, earlier)
        if unfinished.is_dir():
            final.mkdir(exist_ok=True)
            for picture in sorted(unfinished.glob("*.png")):
                os.replace(picture, final / picture.name)
            _clear(unfinished, unfinished.glob("*.png"))
        for name in TABLES:
            if self.partial(name).exists():
                os.replace(self.partial(name), self.path / name)


def _clear(overlays: Path, pictures: Iterable[Path]) -> None:
    """Remove the pictures of a run, and their folder unless somebody else's files lie in it."""
    if overlays.is_dir():
        for picture in list(pictures):
            picture.unlink(missing_ok=True)
        if not any(overlays.iterdir()):
            overlays.rmdir()

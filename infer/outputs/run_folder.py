"""The folder of a run: nothing in it carries its final name before the run is complete."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.earlier_run import written_by_run
from raysplay.infer.outputs.folder_lock import FolderInUseError, FolderLock
from raysplay.infer.outputs.run_files import ABOUT, OVERLAYS, PARTIAL, TABLES


class RunFolderError(RaysplayError, ValueError):
    """A folder that cannot take a run; the message names it and says why."""


class RunStoppedError(RaysplayError):
    """A run that could not be written any further; the message names the folder and says why."""

    exit_status = 1


@contextmanager
def writing(folder: Path) -> Iterator[None]:
    """Turn what the system says of a full disk, a quota or a vanished folder into one sentence.

    Raises
    ------
    RunStoppedError
    """
    try:
        yield
    except OSError as error:
        reason = os.strerror(error.errno) if error.errno else type(error).__name__
        raise RunStoppedError(f"{folder}: cannot be written any more ({reason})") from error


class RunFolder:
    """Hands out paths of unfinished files and gives them their names at the end.

    Nothing is made or changed before :meth:`begin`, and nobody else writes from there to :meth:`release`.

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
        self._overwrite = overwrite
        self._lock: FolderLock | None = None
        self.replacing = False
        there = path.absolute()
        while not os.path.lexists(there):
            there = there.parent
        if not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
            raise RunFolderError(f"{path}: cannot be written ({there} is no folder that may be written)")
        try:
            self._check_earlier()
        except OSError as error:
            raise RunFolderError(f"{path}: cannot be written ({error.strerror})") from error

    def begin(self, *, goes_on: bool = False) -> None:
        """Make the folder if missing, take it, and clear away what a stopped run left in it.

        Parameters
        ----------
        goes_on : bool
            Whether what a stopped run left is needed: then nothing is cleared away.

        Raises
        ------
        RunFolderError
            If the system does not allow it, or another program is writing into it.
        """
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            lock = FolderLock(self.path)
            lock.take()
            self._lock = lock
            self._check_earlier()  # one may have ended in the meantime
            if not goes_on:
                self.clear()
        except FolderInUseError as error:
            raise RunFolderError(str(error)) from None
        except OSError as error:
            self.release()
            raise RunFolderError(f"{self.path}: cannot be written ({error.strerror})") from error
        except BaseException:
            self.release()
            raise

    def clear(self) -> None:
        """Remove what a stopped run left.

        Raises
        ------
        OSError
            If a file cannot be removed.
        """
        self.clear_tables()
        _clear(self.partial(OVERLAYS), self.partial(OVERLAYS).glob("*.png"))

    def clear_tables(self) -> None:
        """Remove the tables so far.

        Raises
        ------
        OSError
            If a file cannot be removed.
        """
        for name in TABLES:
            self.partial(name).unlink(missing_ok=True)

    def clear_pictures(self, keep: Collection[str]) -> None:
        """Remove pictures so far but those of these names.

        Raises
        ------
        OSError
            If a file cannot be removed.
        """
        _clear(self.partial(OVERLAYS), [one for one in self.partial(OVERLAYS).glob("*.png") if one.name not in keep])

    def partial(self, name: str) -> Path:
        """Path under which the table ``name`` grows."""
        return self.path / f"{name}{PARTIAL}"

    def overlay(self, name: str) -> Path:
        """Path of an overlay while the run goes on; its folder is made with the first of them."""
        unfinished = self.partial(OVERLAYS)
        unfinished.mkdir(exist_ok=True)
        return unfinished / name

    def commit(self, keep: Collection[str] = ()) -> None:
        """Replace an earlier run by this one; ``run.json``, the sign of a complete run, comes last.

        Parameters
        ----------
        keep : collection of str
            Names of pictures of the earlier run that stay.

        Raises
        ------
        OSError
            If a file is missing or cannot be moved; ``replacing`` tells whether an earlier run was touched.
        """
        for name in TABLES:
            _on_disk(self.partial(name))
        earlier = written_by_run(self.path)
        self.replacing = True
        (self.path / ABOUT).unlink(missing_ok=True)
        final, unfinished = self.path / OVERLAYS, self.partial(OVERLAYS)
        _clear(final, [path for path in earlier if path.parent == final and path.name not in keep])
        if unfinished.is_dir():
            final.mkdir(exist_ok=True)
            for picture in sorted(unfinished.glob("*.png")):
                os.replace(picture, final / picture.name)
            _clear(unfinished, unfinished.glob("*.png"))
        for name in TABLES:
            os.replace(self.partial(name), self.path / name)

    def release(self) -> None:
        """Let others write into the folder; nothing if it was not taken."""
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _check_earlier(self) -> None:
        taken = [name for name in (*TABLES, OVERLAYS) if os.path.lexists(self.path / name)]
        written = written_by_run(self.path, pictures=False) if taken else frozenset()
        foreign = [name for name in taken if self.path / name not in written and (name != OVERLAYS or not written)]
        if foreign:
            raise RunFolderError(f"{self.path}: holds {foreign[0]}, which no run wrote; choose another folder")
        if taken and not self._overwrite:
            raise RunFolderError(f"{self.path}: holds an earlier run; choose another folder or pass --overwrite")


def _on_disk(path: Path) -> None:
    """Have the system write a file out now: a full disk or a failing drive must show before anything is replaced."""
    with path.open("r+b") as stream:
        os.fsync(stream.fileno())


def _clear(overlays: Path, pictures: Iterable[Path]) -> None:
    """Remove the pictures of a run, and their folder unless somebody else's files lie in it."""
    if overlays.is_dir():
        for picture in list(pictures):
            picture.unlink(missing_ok=True)
        if not any(overlays.iterdir()):
            overlays.rmdir()

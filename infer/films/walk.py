"""Lists what lies below the paths given by a user, one file after another: no list of all of them is ever made."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.in_order import in_order
from raysplay.infer.films.litter import holds_no_film, is_litter_folder, is_litter_name
from raysplay.infer.films.opening import open_regular, special
from raysplay.infer.films.sniff import HEAD_BYTES
from raysplay.infer.outputs.earlier_run import written_by_run
from raysplay.infer.outputs.run_files import OVERLAYS, PARTIAL
from raysplay.infer.reason import ReasonKind

Listed = tuple[Path, FilmRejected | None]
"""A file, and its problem if it has one that shows without opening it."""


class Walk:
    """Goes through files and folders and keeps count of what it passes over.

    Memory grows with the number of folders (each is entered once, so that a loop of links ends), not of files.

    Attributes
    ----------
    litter : int
        Files and folders of the operating system that were passed over.
    runs : set of Path
        Folders with an earlier run, whose outputs were passed over.
    """

    def __init__(self) -> None:
        self.litter = 0
        self.runs: set[Path] = set()
        self._entered: set[tuple[int, int]] = set()

    def below(self, given: Path) -> Iterator[Listed]:
        """A file as it is; every file below a folder, in the order of its parts (``a/z`` before ``a.txt``)."""
        if not given.is_dir():
            yield _single(given)
            return
        written = set(_of_run_around(given))
        pending = [self._folder(given, written)]
        while pending:
            step = next(pending[-1], None)
            if step is None:
                pending.pop()
            elif isinstance(step, Path):
                pending.append(self._folder(step, written))
            else:
                yield step

    def _folder(self, folder: Path, written: set[Path]) -> Iterator[Listed | Path]:
        """What lies directly in a folder: files as they are listed, folders to be entered next."""
        try:
            status = folder.stat()
            if (status.st_dev, status.st_ino) in self._entered:
                return
            self._entered.add((status.st_dev, status.st_ino))
            with os.scandir(folder) as entries:
                names = in_order(entry.name for entry in entries)
                first = next(names, None)
        except OSError as error:
            yield folder, FilmRejected(f"a folder that cannot be read ({error.strerror})")
            return
        written |= written_by_run(folder)
        while first is not None:
            yield from self._entry(folder / first, written)
            first = next(names, None)

    def _entry(self, path: Path, written: set[Path]) -> Iterator[Listed | Path]:
        try:
            mode = path.stat().st_mode
        except OSError as error:
            lost = path.is_symlink()
            yield path, FilmRejected("a link that leads nowhere" if lost else f"cannot be read ({error.strerror})")
            return
        if path in written:
            self.runs.add(path.parent.parent if path.suffix == ".png" else path.parent)
        elif stat.S_ISDIR(mode):
            if is_litter_folder(path.name):
                self.litter += 1
            else:
                yield path
        elif stat.S_ISREG(mode) and _is_litter(path):
            self.litter += 1
        else:
            yield path, _special(mode)


def common_root(given: Iterable[Path]) -> Path | None:
    """Folder that names are relative to: that of the only input, or the common parent; None on different drives."""
    folders = [path if path.is_dir() else path.parent for path in given]
    try:
        return Path(os.path.commonpath(folders)) if folders else None
    except ValueError:
        return None


def name_below(file: Path, root: Path | None) -> str:
    """Name of a file: its path relative to the root, with forward slashes."""
    return (file.relative_to(root) if root else file).as_posix()


def _single(path: Path) -> Listed:
    try:
        problem = _special(path.stat().st_mode)
    except OSError:
        problem = FilmRejected("a link that leads nowhere")
    if problem is None and path in _of_run_around(path.parent):
        problem = FilmRejected("written by an earlier run", ReasonKind.OTHER_FILE)
    return path, problem


def _special(mode: int) -> FilmRejected | None:
    words = special(mode)
    return None if words is None else FilmRejected(words, ReasonKind.OTHER_FILE)


def _of_run_around(folder: Path) -> frozenset[Path]:
    """What runs wrote into a folder, which may be the folder of overlays of one."""
    around = folder.parent if folder.name in (OVERLAYS, f"{OVERLAYS}{PARTIAL}") else folder
    return written_by_run(folder) | written_by_run(around)


def _is_litter(path: Path) -> bool:
    """Whether a file has a name that systems give, and holds no film all the same."""
    if not is_litter_name(path.name):
        return False
    try:
        with open_regular(path) as stream:
            head = stream.read(HEAD_BYTES)
    except OSError:
        return False  # its row says why
    return holds_no_film(path.name, head)

"""Turns the paths given by a user into an ordered list of files, each of which will get its row."""

from __future__ import annotations

import hashlib
import os
import stat
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.opening import open_regular, special
from raysplay.infer.films.sniff import HEAD_BYTES, sniff
from raysplay.infer.outputs.earlier_run import written_by_run
from raysplay.infer.outputs.names import film_name
from raysplay.infer.outputs.run_files import OVERLAYS, PARTIAL, SCRATCH
from raysplay.infer.reason import ReasonKind

_CHUNK = 1 << 20
_EDGE = 1 << 16

# What systems and file servers leave in folders; common practice, no source. In small letters.
_LITTER = frozenset((".ds_store", ".localized", "desktop.ini", "thumbs.db", "ehthumbs.db"))
_LITTER_FOLDERS = frozenset(
    {
        *("__macosx", "@eadir", "$recycle.bin", "system volume information"),
        *(".trash", ".trashes", ".snapshot", ".snapshots", ".thumbnails", ".git", ".svn", ".hg"),
        *(".appledouble", ".documentrevisions-v100", ".fseventsd", ".spotlight-v100", ".temporaryitems"),
    }
)
_APPLE_DOUBLE = b"\x00\x05\x16\x07"
"""First bytes of the files that macOS puts beside others, named ``._`` and their name (RFC 1740, from memory)."""


@dataclass(frozen=True)
class Candidate:
    """A file that may hold a film.

    Attributes
    ----------
    path : Path
        Where it is.
    name : str
        Path relative to the input, with forward slashes; unique within a run. For tables: ``film_name``.
    problem : FilmRejected or None
        Why it need not be decoded (a copy of another file, a broken link), else None.
    """

    path: Path
    name: str
    problem: FilmRejected | None = None


@dataclass(frozen=True)
class Collected:
    """What the paths of a user hold.

    Attributes
    ----------
    candidates : list of Candidate
        In order; each gets its row.
    litter : int
        Files and folders of the operating system that were passed over.
    runs : list of Path
        Folders with an earlier run, whose outputs were passed over.
    """

    candidates: list[Candidate]
    litter: int = 0
    runs: list[Path] = field(default_factory=list)


def collect(inputs: Iterable[Path | str]) -> Collected:
    """Files below ``inputs`` (files, folders or both), sorted by name.

    Links are followed, and every folder is entered once, so that a loop of links ends. Of files with the same bytes,
    the first in the order is kept and every other one is a ``DUPLICATE`` of it by name. A single folder is
    its own root; with several inputs, names are relative to their common parent.

    Inside folders two things are passed over: what an earlier run wrote, and litter of the system that holds no film.
    Names that begin with a dot are names like others. Given by name, a file always gets its row.

    Raises
    ------
    FileNotFoundError
        If an input does not exist; the message names it.
    """
    given = [Path(os.path.abspath(path)) for path in inputs]
    for path in given:
        if not os.path.lexists(path):
            raise FileNotFoundError(f"{path}: no such file or folder")
    root = _common_root(given)
    walk = _Walk()
    found: dict[Path, Candidate] = {}
    for path in given:
        for file, problem in walk.below(path) if path.is_dir() else _single(path):
            found.setdefault(
                file, Candidate(file, _name(file, root), None if problem is None else FilmRejected(problem))
            )
    ordered = _mark_duplicates(sorted(found.values(), key=lambda candidate: candidate.name.split("/")))
    return Collected(ordered, walk.litter, sorted(walk.runs))


def _common_root(given: list[Path]) -> Path | None:
    folders = [path if path.is_dir() else path.parent for path in given]
    try:
        return Path(os.path.commonpath(folders)) if folders else None
    except ValueError:  # different drives
        return None


def _name(file: Path, root: Path | None) -> str:
    return (file.relative_to(root) if root else file).as_posix()


def _single(path: Path) -> Iterator[tuple[Path, str | None]]:
    try:
        problem = special(path.stat().st_mode)
    except OSError:
        problem = "a link that leads nowhere"
    if problem is None and path in _of_run_around(path.parent):
        problem = "written by an earlier run, not a film"
    yield path, problem


def _of_run_around(folder: Path) -> frozenset[Path]:
    """What runs wrote into a folder, which may be the folder of overlays of one."""
    around = folder.parent if folder.name in (OVERLAYS, f"{OVERLAYS}{PARTIAL}") else folder
    return written_by_run(folder) | written_by_run(around)


class _Walk:
    """Goes through folders and keeps count of what it passes over."""

    def __init__(self) -> None:
        self.litter = 0
        self.runs: set[Path] = set()
        self._entered: set[tuple[int, int]] = set()

    def below(self, folder: Path) -> Iterator[tuple[Path, str | None]]:
        """Every file below ``folder`` with its problem, if it has one that shows without opening it."""
        written = set(_of_run_around(folder))
        pending = [folder]
        while pending:
            current = pending.pop()
            try:
                status = current.stat()
                if (status.st_dev, status.st_ino) in self._entered:
                    continue
                self._entered.add((status.st_dev, status.st_ino))
                entries = sorted(os.scandir(current), key=lambda entry: entry.name)
            except OSError as error:
                yield current, f"a folder that cannot be read ({error.strerror})"
                continue
            written |= written_by_run(current)
            folders = []
            for entry in entries:
                path = Path(entry.path)
                try:
                    mode = entry.stat().st_mode
                except OSError as error:
                    lost = entry.is_symlink()
                    yield path, "a link that leads nowhere" if lost else f"cannot be read ({error.strerror})"
                    continue
                if path in written:
                    self.runs.add(current.parent if path.suffix == ".png" else current)
                elif stat.S_ISDIR(mode):
                    if _is_litter_folder(entry.name):
                        self.litter += 1
                    else:
                        folders.append(path)
                elif stat.S_ISREG(mode) and _is_litter(path):
                    self.litter += 1
                else:
                    yield path, special(mode)
            pending.extend(reversed(folders))


def _is_litter_folder(name: str) -> bool:
    return name.lower() in _LITTER_FOLDERS or name.lower().startswith((".trash-", SCRATCH))


def _is_litter(path: Path) -> bool:
    """Whether a file has a name that systems give, and holds no film all the same."""
    if path.name.lower() not in _LITTER and not path.name.startswith("._"):
        return False
    try:
        with open_regular(path) as stream:
            head = stream.read(HEAD_BYTES)
    except OSError:
        return False  # its row says why
    return head.startswith(_APPLE_DOUBLE) if path.name.startswith("._") else sniff(head) is None


def _mark_duplicates(candidates: list[Candidate]) -> list[Candidate]:
    """Give every later file with the same bytes its problem; only files of one size are hashed."""
    by_size: dict[int, list[int]] = defaultdict(list)
    for i, candidate in enumerate(candidates):
        if candidate.problem is None:
            try:
                by_size[candidate.path.stat().st_size].append(i)
            except OSError:
                continue  # reading it will say why
    marked = list(candidates)
    for size, same_size in by_size.items():
        if size == 0 or len(same_size) == 1:  # empty files are refused as empty, not as copies
            continue
        by_edges: dict[str, list[int]] = defaultdict(list)
        for i in same_size:
            by_edges[_edges_digest(candidates[i].path, size)].append(i)
        for edges, suspects in by_edges.items():
            if not edges or len(suspects) == 1:
                continue
            first: dict[str, int] = {}
            for i in suspects:
                digest = _digest(candidates[i].path)
                if digest and first.setdefault(digest, i) != i:
                    said = f"same file as {film_name(candidates[first[digest]].name)}"
                    marked[i] = replace(candidates[i], problem=FilmRejected(said, ReasonKind.DUPLICATE))
    return marked


def _edges_digest(path: Path, size: int) -> str:
    """Digest of both ends of a file: films of one device share their size but not their header."""
    try:
        with open_regular(path) as stream:
            head = stream.read(_EDGE)
            stream.seek(max(size - _EDGE, 0))
            return hashlib.sha256(head + stream.read(_EDGE)).hexdigest()
    except OSError:
        return ""


def _digest(path: Path) -> str:
    try:
        with open_regular(path) as stream:
            digest = hashlib.sha256()
            while chunk := stream.read(_CHUNK):
                digest.update(chunk)
            return digest.hexdigest()
    except OSError:
        return ""

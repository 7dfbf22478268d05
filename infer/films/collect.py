"""Turns the paths given by a user into an ordered list of files, each of which will get its row."""

from __future__ import annotations

import hashlib
import os
import stat
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

_CHUNK = 1 << 20
_EDGE = 1 << 16


@dataclass(frozen=True)
class Candidate:
    """A file that may hold a film.

    Attributes
    ----------
    path : Path
        Where it is.
    name : str
        Path relative to the input, with forward slashes; unique within a run.
    problem : str or None
        Why it need not be decoded (``same file as ...``, broken link), else None.
    """

    path: Path
    name: str
    problem: str | None = None


def collect(inputs: Iterable[Path | str]) -> list[Candidate]:
    """Files below ``inputs`` (files, folders or both), sorted by name.

    Inside folders, names that begin with a dot are passed over, links are followed, and every folder is
    entered once, so that a loop of links ends. Of files with the same bytes, the first in the order is
    kept and every other one carries the problem ``same file as NAME``. A single folder is its own root;
    with several inputs, names are relative to their common parent.

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
    entered: set[tuple[int, int]] = set()
    found: dict[Path, Candidate] = {}
    for path in given:
        for file, problem in _walk(path, entered) if path.is_dir() else _single(path):
            found.setdefault(file, Candidate(file, _name(file, root), problem))
    return _mark_duplicates(sorted(found.values(), key=lambda candidate: candidate.name.split("/")))


def _common_root(given: list[Path]) -> Path | None:
    folders = [path if path.is_dir() else path.parent for path in given]
    try:
        return Path(os.path.commonpath(folders)) if folders else None
    except ValueError:  # different drives
        return None


def _name(file: Path, root: Path | None) -> str:
    name = (file.relative_to(root) if root else file).as_posix()
    # A file name need not be text; tables are.
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def _single(path: Path) -> Iterator[tuple[Path, str | None]]:
    if not path.exists():
        yield path, "a link that leads nowhere"
    elif not path.is_file():
        yield path, "not a regular file"
    else:
        yield path, None


def _walk(folder: Path, entered: set[tuple[int, int]]) -> Iterator[tuple[Path, str | None]]:
    pending = [folder]
    while pending:
        current = pending.pop()
        try:
            status = current.stat()
            if (status.st_dev, status.st_ino) in entered:
                continue
            entered.add((status.st_dev, status.st_ino))
            entries = sorted(os.scandir(current), key=lambda entry: entry.name)
        except OSError as error:
            yield current, f"a folder that cannot be read ({error.strerror})"
            continue
        folders = []
        for entry in entries:
            if entry.name.startswith("."):
                continue
            path = Path(entry.path)
            try:
                mode = entry.stat().st_mode
            except OSError as error:
                lost = entry.is_symlink()
                yield path, "a link that leads nowhere" if lost else f"cannot be read ({error.strerror})"
                continue
            if stat.S_ISDIR(mode):
                folders.append(path)
            elif stat.S_ISREG(mode):
                yield path, None
        pending.extend(reversed(folders))


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
                    marked[i] = replace(candidates[i], problem=f"same file as {candidates[first[digest]].name}")
    return marked


def _edges_digest(path: Path, size: int) -> str:
    """Digest of both ends of a file: films of one device share their size but not their header."""
    try:
        with open(path, "rb") as stream:
            head = stream.read(_EDGE)
            stream.seek(max(size - _EDGE, 0))
            return hashlib.sha256(head + stream.read(_EDGE)).hexdigest()
    except OSError:
        return ""


def _digest(path: Path) -> str:
    try:
        with open(path, "rb") as stream:
            digest = hashlib.sha256()
            while chunk := stream.read(_CHUNK):
                digest.update(chunk)
            return digest.hexdigest()
    except OSError:
        return ""

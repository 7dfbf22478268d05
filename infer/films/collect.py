"""Turns the paths given by a user into an ordered list of files, each of which will get its row."""

from __future__ import annotations

import hashlib
import os
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from raysplay.infer.films.address import is_address
from raysplay.infer.films.candidate import Candidate as Candidate
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.film_identity import content_digest, stamp
from raysplay.infer.films.inside import films_inside
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.place import place_of, split_frame
from raysplay.infer.films.settings import FilmLimits, film_settings
from raysplay.infer.films.walk import Walk, common_root, name_below
from raysplay.infer.outputs.names import film_name
from raysplay.infer.reason import ReasonKind

_EDGE = 1 << 16


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


def collect(inputs: Iterable[Path | str], limits: FilmLimits | None = None, *, copies: bool = True) -> Collected:
    """Files below ``inputs`` (files, folders or both), sorted by name.

    Links are followed, and every folder is entered once, so that a loop of links ends. Of files with the same bytes,
    the first in the order is kept and every other one is a ``DUPLICATE`` of it by name. A single folder is
    its own root; with several inputs, names are relative to their common parent.

    Inside folders two things are passed over: what an earlier run wrote, and litter of the system that holds no film.
    Names that begin with a dot are names like others. Given by name, a file always gets its row.

    What lies within files (members of ZIP archives, frames, files missing from a DICOMDIR) is listed in their place.

    Parameters
    ----------
    inputs : iterable of path
    limits : FilmLimits, optional
    copies : bool
        Whether files are opened to mark those with the same bytes.

    Raises
    ------
    FileNotFoundError
        If an input does not exist; the message names it.
    """
    limits = limits or film_settings()
    walk = Walk()
    found: dict[Path, Candidate] = {}
    for candidate in listed(inputs, limits, walk):
        found.setdefault(candidate.path, candidate)
    ordered = sorted(found.values(), key=lambda candidate: candidate.name.split("/"))
    if copies:
        ordered = _mark_duplicates(ordered)
    return Collected(ordered, walk.litter, sorted(walk.runs))


def listed(inputs: Iterable[Path | str], limits: FilmLimits, walk: Walk | None = None) -> Iterator[Candidate]:
    """Files below ``inputs`` and what lies within them, one after the other; no list of all is made.

    In the order of the names within each input; a file that several inputs hold comes with the first of them, and one
    that a DICOMDIR given by name refers to may come twice. No copies are marked: that takes all files.

    Parameters
    ----------
    inputs : iterable of path
    limits : FilmLimits
    walk : Walk, optional
        Keeps count of what is passed over.

    Raises
    ------
    FileNotFoundError
        If an input does not exist; the message names it.
    """
    walk = walk or Walk()
    given = [Path(os.path.abspath(path)) for path in inputs]
    for path in given:
        if not os.path.lexists(path):
            raise FileNotFoundError(not_there(path))
    root = common_root(given)
    ordered = sorted(set(given), key=lambda path: (not path.is_dir(), path.parts))  # folders first: they may hold files
    folders = [path for path in ordered if path.is_dir()]
    for path in ordered:
        if path not in folders and any(folder in path.parents for folder in folders):
            continue
        for file, problem in walk.below(path):
            candidate = Candidate(file, name_below(file, root), problem)
            for found in films_inside(candidate, limits, follow_directory=file == path):
                if found.path == file or found.path not in given:  # else it comes by itself
                    yield found


def not_there(path: Path) -> str:
    """What is said of a path that leads nowhere; of an address, what to do instead."""
    given = Path(os.path.relpath(path))
    if is_address(given):
        scheme = str(given).split(":", 1)[0]  # the rest may hold a password
        return f"{scheme}://...: only raysplay measure reads films from an address; else mount the store as a folder"
    return f"{path}: no such file or folder"


def _mark_duplicates(candidates: list[Candidate]) -> list[Candidate]:
    """Give every later file with the same bytes its problem; only files of one size are hashed."""
    by_size: dict[int, list[int]] = defaultdict(list)
    for i, candidate in enumerate(candidates):
        if candidate.problem is None:
            marks = stamp(candidate.path)
            if marks is not None:  # else reading it will say why
                by_size[candidate.size if candidate.size is not None else marks.size].append(i)
    marked = list(candidates)
    for size, same_size in by_size.items():
        # Empty files are refused as empty, not as copies; frames of one object are none of one another.
        if size == 0 or len({_holder(candidates[i]) for i in same_size}) == 1:
            continue
        # What lies within a file must be read whole to be compared at all.
        whole = any(place_of(candidates[i].path).inside for i in same_size)
        by_edges: dict[str, list[int]] = defaultdict(list)
        for i in same_size:
            path = candidates[i].path
            by_edges[content_digest(path) if whole else _edges_digest(path, size)].append(i)
        for edges, suspects in by_edges.items():
            if not edges or len(suspects) == 1:
                continue
            first: dict[str, int] = {}
            for i in suspects:
                digest = content_digest(candidates[i].path)
                if digest and first.setdefault(digest, i) != i:
                    said = f"same file as {film_name(candidates[first[digest]].name)}"
                    marked[i] = replace(candidates[i], problem=FilmRejected(said, ReasonKind.DUPLICATE))
    return marked


def _holder(candidate: Candidate) -> tuple[Path, str]:
    """The file, or the member of an archive, that holds a film."""
    place = place_of(candidate.path)
    return place.file, split_frame(place.inside)[0] if candidate.size is None else place.inside


def _edges_digest(path: Path, size: int) -> str:
    """Digest of both ends of a file: films of one device share their size but not their header."""
    try:
        with open_regular(path) as stream:
            head = stream.read(_EDGE)
            stream.seek(max(size - _EDGE, 0))
            return hashlib.sha256(head + stream.read(_EDGE)).hexdigest()
    except OSError:
        return ""

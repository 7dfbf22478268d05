"""Which film lies at a path: its bytes, and the marks by which the system shows that they were changed.

A film within a file (:mod:`raysplay.infer.films.place`) is the member's bytes, or those of the object and the number of
its frame, as in :attr:`~raysplay.infer.films.film.Film.sha256`; its marks are those of the file on the disk.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.place import Place, place_of, split_frame
from raysplay.infer.films.settings import film_settings
from raysplay.infer.films.sniff import HEAD_BYTES
from raysplay.infer.films.zipped import is_zip, read_member
from raysplay.infer.reason import ReasonKind

if TYPE_CHECKING:
    from hashlib import _Hash

_LARGEST = 2**63 - 1
_CHUNK = 2**20


@dataclass(frozen=True)
class Stamp:
    """Size, time of change and number of a file: while these are the same, its bytes are taken to be, too.

    A program can set the time back; who fears that lets all bytes be read again (``--rehash``).
    """

    size: int
    changed_ns: int
    number: int


def stamp(path: Path) -> Stamp | None:
    """The stamp of the file at ``path``, or of the one that holds it, links followed; None if there is none, or it
    cannot be looked at."""
    try:
        about = os.stat(place_of(path).file)
    except OSError:
        return None
    return Stamp(about.st_size, about.st_mtime_ns, about.st_ino & _LARGEST)


def forget_bytes() -> None:
    """Look at all bytes anew, also where stamps are the same."""
    _of_holder.cache_clear()


def content_digest(path: Path) -> str:
    """SHA-256 of the bytes at ``path``, in hexadecimal; empty if they cannot be read."""
    place = place_of(path)
    try:
        if not place.inside:
            return _of_file(place.file).hexdigest()
        marks = stamp(place.file)
        return "" if marks is None else _of_film(place, marks)
    except (OSError, FilmRejected):
        return ""


def _of_film(place: Place, marks: Stamp) -> str:
    """Of a film within a file, as :func:`raysplay.infer.films.read.film_digest` has it."""
    with open_regular(place.file) as stream:
        zipped = is_zip(stream.read(HEAD_BYTES))
    inside, frame = split_frame(place.inside)
    if zipped:
        try:
            return hashlib.sha256(read_member(place.file, place.inside, film_settings())).hexdigest()
        except FilmRejected as rejected:
            if rejected.kind is not ReasonKind.MISSING or frame is None:
                raise
    elif inside or frame is None:
        return ""
    total = _of_holder(Place(place.file, inside), marks).copy()
    total.update(f"!/frame-{frame}".encode("ascii"))
    return total.hexdigest()


@lru_cache(maxsize=1)
def _of_holder(holder: Place, marks: Stamp) -> _Hash:
    """Of what holds frames: one after the other is asked for, and the bytes are read once."""
    if holder.inside:
        return hashlib.sha256(read_member(holder.file, holder.inside, film_settings()))
    return _of_file(holder.file)


def _of_file(file: Path) -> _Hash:
    total = hashlib.sha256()
    with open_regular(file) as stream:
        while chunk := stream.read(_CHUNK):
            total.update(chunk)
    return total

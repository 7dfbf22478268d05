"""A file, or a part of one, that may hold a film and gets its row."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.film_identity import Stamp


@dataclass(frozen=True)
class Candidate:
    """A file that may hold a film.

    Attributes
    ----------
    path : Path
        Where it is; within a ZIP archive or an object of several frames as :mod:`.place` has it.
    name : str
        Path relative to the input, with forward slashes; unique within a run. For tables: ``film_name``.
    problem : FilmRejected or None
        Why it need not be decoded (a copy of another file, a broken link), else None.
    size : int or None
        Bytes of a member of a ZIP archive, also where the film is one of its frames; None for what the system knows the
        size of.
    marks : Stamp or None
        Of an object at an address (:mod:`.address`), as the store lists it; None for what the system knows.
    """

    path: Path
    name: str
    problem: FilmRejected | None = None
    size: int | None = None
    marks: Stamp | None = None

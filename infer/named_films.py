"""Films of a run that was written under a key for names, found again by whoever holds the key and the films."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from pydicom import dcmread
from pydicom.uid import DeflatedExplicitVRLittleEndian

from raysplay.configs.errors import RaysplayError
from raysplay.infer.films.candidate import Candidate
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.person import date_taken
from raysplay.infer.films.place import place_of, split_frame
from raysplay.infer.films.settings import film_settings
from raysplay.infer.films.sniff import HEAD_BYTES, FileFormat, sniff
from raysplay.infer.films.zipped import is_zip, read_member
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.outputs.name_key import NameKey, NameKeyError, read_name_key, refuse_inside, whole_path
from raysplay.infer.outputs.names import film_name

_DEFLATED = DeflatedExplicitVRLittleEndian.encode("ascii")


class NamesHiddenError(RaysplayError, ValueError):
    """A run whose names are hidden, without what gives them back, or the other way round; the message says which."""


@dataclass(frozen=True)
class NamedFilms:
    """Where films lie, by their identifiers.

    Attributes
    ----------
    key : NameKey
    paths : mapping of str to Path
        By identifier.
    names : mapping of str to str
        From the name of a film below the folder, as a run without a key would write it, to its identifier.
    """

    key: NameKey
    paths: Mapping[str, Path] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)
    _days: dict[str, str] = field(default_factory=dict)

    def taken(self, identifier: str) -> str:
        """Day on which a film was taken, by its file, since the tables do not say it; ISO 8601, empty where unknown."""
        if identifier not in self._days:
            path = self.paths.get(identifier)
            self._days[identifier] = "" if path is None else _day(path)
        return self._days[identifier]


def named_candidates(candidates: Iterable[Candidate], key: NameKey) -> NamedFilms:
    """Films of a list under their own names."""
    paths: dict[str, Path] = {}
    names: dict[str, str] = {}
    for one in candidates:
        identifier = key.identifier(whole_path(one))
        paths[identifier] = one.path
        names[film_name(one.name)] = identifier
    return NamedFilms(key, paths, names)


def named_films(run: FinishedRun, key: Path | None, films: Path | Sequence[Path] | None) -> NamedFilms | None:
    """Films of a run; None for a run whose names stand in its tables, and for one that shall be read without them.

    Where no film lies where it was measured, since the archive was moved, films are found by their bytes: all of them
    are read for it.

    Parameters
    ----------
    run : FinishedRun
    key : Path or None
        File of the key; None for none.
    films : Path, sequence of Path or None
        Folder of the films, or all that was measured; None where nothing but the key is needed.

    Raises
    ------
    NamesHiddenError
        If a key is given for a run that was written without one.
    NameKeyError
        If the key cannot be used, or is not that of the run.
    """
    mark = run.recorded.name_key
    if key is None:
        return None
    if not mark:
        raise NamesHiddenError(f"{run.folder}: its tables hold the names of the films; it has no key for names")
    refuse_inside(key, run.folder)
    opened = read_name_key(key)
    if opened.mark != mark:
        raise NameKeyError(f"{key}: is not the key under which this run was written")
    if films is None:
        return NamedFilms(opened)
    from raysplay.infer.films.collect import collect

    candidates = collect([films] if isinstance(films, Path) else films, copies=False).candidates
    found = named_candidates(candidates, opened)
    wanted = {run.film(number).name for number in range(run.film_count)}
    return found if wanted & found.paths.keys() else _by_bytes(run, candidates, opened)


def refuse_without_names(run: FinishedRun, what: str) -> None:
    """Refuse a key without the films where a table of a person names films.

    Raises
    ------
    NamesHiddenError
    """
    if run.named is not None and not run.named.names:
        raise NamesHiddenError(f"{what} names films: say where they lie (--films)")


def _day(path: Path) -> str:
    """Of a DICOM file, from its header alone."""
    place = place_of(path)
    try:
        with open_regular(place.file) as stream:
            head = stream.read(HEAD_BYTES)
            inside = split_frame(place.inside)[0]
            content: BinaryIO = stream
            if is_zip(head):
                content = io.BytesIO(read_member(place.file, inside, film_settings()))
            content.seek(0)
            head = content.read(HEAD_BYTES)
            if sniff(head) is not FileFormat.DICOM or _DEFLATED in head:  # packed, a header may unpack to anything
                return ""
            content.seek(0)
            return date_taken(dcmread(content, stop_before_pixels=True))
    except Exception:  # whatever is wrong with it: the run has said so
        return ""


def _by_bytes(run: FinishedRun, candidates: list[Candidate], key: NameKey) -> NamedFilms:
    from raysplay.infer.films.film_identity import content_digest

    identifiers: dict[str, str] = {}
    for number in range(run.film_count):
        facts = run.film(number)
        if facts.sha256:
            identifiers[facts.sha256] = facts.name
    paths: dict[str, Path] = {}
    names: dict[str, str] = {}
    for one in candidates:
        identifier = identifiers.get(key.digest(content_digest(one.path)))
        if identifier is not None and identifier not in paths:  # of copies the first
            paths[identifier] = one.path
            names[film_name(one.name)] = identifier
    return NamedFilms(key, paths, names)

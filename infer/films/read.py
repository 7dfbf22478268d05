"""Reads one file, whatever it is; runs inside the decoding process (see :mod:`.decode`)."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from errno import ENOENT
from pathlib import Path

from raysplay.infer.films.burnt_in_text import looked_through
from raysplay.infer.films.dicom import read_dicom
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.picture import read_picture
from raysplay.infer.films.place import place_of, split_frame
from raysplay.infer.films.polarity import put_right
from raysplay.infer.films.settings import FilmLimits
from raysplay.infer.films.sniff import HEAD_BYTES, FileFormat, describe_other, kind_of_other, sniff
from raysplay.infer.films.zipped import is_zip, read_member
from raysplay.infer.reason import ReasonKind


def read_film(path: Path, limits: FilmLimits) -> Film:
    """Decode what lies at ``path`` by its content, bone bright (:func:`raysplay.infer.films.polarity.put_right`).

    The path may lead into a ZIP archive or to a frame (:mod:`.place`).

    Raises
    ------
    FilmRejected
        With one plain reason.
    """
    content, frame = _content(path, limits)
    kind = sniff(content[:HEAD_BYTES])
    if kind in (FileFormat.DICOM, FileFormat.DICOM_BARE):
        film = read_dicom(content, path, limits, bare=kind is FileFormat.DICOM_BARE, frame=frame)
    elif kind is not None and frame is None:
        film = read_picture(content, path, limits, kind)
    else:
        raise _not_there()
    film = replace(put_right(film), sha256=_digest(content, frame))
    if limits.beyond_window:  # for a screen, which shows the film as it is
        return film
    return looked_through(film)


def film_digest(path: Path, limits: FilmLimits) -> str:
    """Digest of the bytes at ``path`` as :attr:`Film.sha256` has it; of a frame, with its number.

    Raises
    ------
    FilmRejected
        If they cannot be read, or are no film's.
    """
    return _digest(*_content(path, limits))


def _digest(content: bytes, frame: int | None) -> str:
    digest = hashlib.sha256(content)
    if frame is not None:
        digest.update(f"!/frame-{frame}".encode("ascii"))
    return digest.hexdigest()


def _content(path: Path, limits: FilmLimits) -> tuple[bytes, int | None]:
    """Bytes of the file that holds a film, and the frame that the path names; only what begins like a film is read."""
    place = place_of(path)
    try:
        with open_regular(place.file) as stream:
            head = stream.read(HEAD_BYTES)
            if place.inside and is_zip(head):
                return _member(place.file, place.inside, limits)
            inside, frame = split_frame(place.inside)
            if inside:
                raise _not_there()
            _check_head(head)
            before = os.fstat(stream.fileno())
            if before.st_size > limits.max_file_bytes:
                raise FilmRejected(f"too large: {before.st_size} bytes, the limit is {limits.max_file_bytes}")
            content = head + stream.read(limits.max_file_bytes - len(head))
            after = os.fstat(stream.fileno())
    except FilmRejected:
        raise
    except OSError as error:
        if error.errno == ENOENT:
            raise _not_there() from error
        raise FilmRejected(f"the file cannot be read ({error.strerror})") from error
    if len(content) != after.st_size or (before.st_size, before.st_mtime_ns) != (after.st_size, after.st_mtime_ns):
        raise FilmRejected("the file was changed while it was read", ReasonKind.CHANGED)
    return content, frame


def _member(file: Path, inside: str, limits: FilmLimits) -> tuple[bytes, int | None]:
    name, frame = inside, None
    try:
        content = read_member(file, name, limits)
    except FilmRejected as rejected:
        name, frame = split_frame(inside)
        if rejected.kind is not ReasonKind.MISSING or frame is None:
            raise
        content = read_member(file, name, limits)
    if is_zip(content[:HEAD_BYTES]):
        said = "a ZIP archive or office document within a ZIP archive, which is not opened: unpack it first"
        raise FilmRejected(said, ReasonKind.CONTAINER)
    _check_head(content[:HEAD_BYTES])
    return content, frame


def _check_head(head: bytes) -> None:
    if sniff(head) is None:
        raise FilmRejected(describe_other(head), kind_of_other(head))


def _not_there() -> FilmRejected:
    return FilmRejected("the file cannot be read: it is not there (moved, removed, or never was)", ReasonKind.MISSING)

"""Reads one file, whatever it is; runs inside the decoding process (see :mod:`.decode`)."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from pathlib import Path

from raysplay.infer.films.dicom import read_dicom
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.picture import read_picture
from raysplay.infer.films.polarity import put_right
from raysplay.infer.films.settings import FilmLimits
from raysplay.infer.films.sniff import HEAD_BYTES, FileFormat, describe_other, sniff


def read_film(path: Path, limits: FilmLimits) -> Film:
    """Decode the file at ``path`` by its content, bone bright (:func:`raysplay.infer.films.polarity.put_right`).

    Raises
    ------
    FilmRejected
        With one plain reason.
    """
    try:
        with open_regular(path) as stream:
            size = os.fstat(stream.fileno()).st_size
            head = stream.read(HEAD_BYTES)
            kind = sniff(head)
            if kind is None:
                raise FilmRejected(describe_other(head))
            if size > limits.max_file_bytes:
                raise FilmRejected(f"too large: {size} bytes, the limit is {limits.max_file_bytes}")
            content = head + stream.read(limits.max_file_bytes - len(head))
    except OSError as error:
        raise FilmRejected(f"the file cannot be read ({error.strerror})") from error
    if kind in (FileFormat.DICOM, FileFormat.DICOM_BARE):
        film = read_dicom(content, path, limits, bare=kind is FileFormat.DICOM_BARE)
    else:
        film = read_picture(content, path, limits, kind)
    return replace(put_right(film), sha256=hashlib.sha256(content).hexdigest())

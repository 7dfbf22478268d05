"""Files that vanish or change while they are read: a reason of its own kind, and the next file is read."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from raysplay.infer.films import read
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.read import read_film
from raysplay.infer.reason import ReasonKind


@pytest.fixture
def path(write, make_dicom, grey12) -> Path:
    return write(make_dicom(grey12))


def test_vanished(limits, reader, path) -> None:
    content = path.read_bytes()
    path.unlink()
    for decode in (lambda: read_film(path, limits), lambda: reader.read(path)):
        with pytest.raises(FilmRejected, match="it is not there") as refused:
            decode()
        assert refused.value.kind is ReasonKind.MISSING
    path.write_bytes(content)
    assert reader.read(path).pixels.shape == (40, 60)


class Unsteady:
    """A stream whose file is changed just before the second time that it is read."""

    def __init__(self, stream, change) -> None:
        self._stream, self._change, self._reads = stream, change, 0

    def __enter__(self):
        return self

    def __exit__(self, *_) -> None:
        self._stream.close()

    def fileno(self) -> int:
        return self._stream.fileno()

    def read(self, size: int) -> bytes:
        self._reads += 1
        if self._reads == 2:
            self._change()
        return self._stream.read(size)


@pytest.mark.parametrize("change", ["grown", "cut", "touched", "steady"])
def test_changed_while_it_is_read(limits, path, monkeypatch, change) -> None:
    """A copy that is still under way, a file that is written anew: the first bytes were read, then it changes."""
    before = path.stat()
    changes = {
        "grown": lambda: path.write_bytes(path.read_bytes() + bytes(10)),
        "cut": lambda: os.truncate(path, before.st_size // 2),
        "touched": lambda: os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns + 10**9)),
        "steady": lambda: None,
    }
    monkeypatch.setattr(read, "open_regular", lambda file: Unsteady(open_regular(file), changes[change]))
    if change == "steady":
        assert read_film(path, limits).pixels.shape == (40, 60)
        return
    with pytest.raises(FilmRejected, match="changed while it was read") as refused:
        read_film(path, limits)
    assert refused.value.kind is ReasonKind.CHANGED

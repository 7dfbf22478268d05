"""Whether a file is a report of a run, and of which."""

from __future__ import annotations

import hashlib
from pathlib import Path

from raysplay.configs.plain_file import open_plain, read_plain
from raysplay.infer.outputs.settings import output_settings

TITLE = "Raysplay: report of a run"
IDENTITY_DIGITS = 12
"""Of the SHA-256 of ``run.json``, as the page states it."""

_MARK = f"<title>{TITLE}</title>".encode()
_HEAD_BYTES = 65536
_MOST_BYTES = 2**28


def is_report(path: Path) -> bool:
    """Whether a file is a report of a run, by its head."""
    return _MARK in _head(path)


def is_of(path: Path, about: Path) -> bool:
    """Whether a report is of the run whose ``run.json`` this is, in the state that it has now."""
    try:
        identity = hashlib.sha256(read_plain(about, output_settings().run.summary_bytes)).hexdigest()
    except OSError:
        return False
    head = _head(path)
    return _MARK in head and f"(run {identity[:IDENTITY_DIGITS]}".encode() in head


def _head(path: Path) -> bytes:
    try:
        with open_plain(path, _MOST_BYTES) as stream:
            return stream.read(_HEAD_BYTES)
    except OSError:
        return b""

"""What an earlier run left in a folder, so that it is neither measured as a film nor taken for somebody else's."""

from __future__ import annotations

import csv
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path

from raysplay.infer.films.opening import open_regular
from raysplay.infer.outputs.names import overlay_name
from raysplay.infer.outputs.run_files import BESIDE, LEDGER, LEDGER_ELSEWHERE, LEDGER_MARK, OVERLAYS, PARTIAL, TABLES
from raysplay.infer.outputs.tables import FEET_ABOUT

_SUMMARY = frozenset({"command", "versions", "digests", "protocol", "counts"})
_HEADS = (FEET_ABOUT, ("film", "foot", "foot_index", "decision", "reasons"), ("film", "foot", "decision", "reasons"))
"""First columns of ``feet.csv``, of this version and of earlier ones."""
_LARGEST_SUMMARY = 1 << 24
_OVERLAY = re.compile(r"(?P<film>.*-[0-9a-f]{8})(?:[0-9a-f]{12})?(?P<foot>-[0-9]+[LR]\.png)")
"""Overlays of this version and of earlier ones, whose names had a shorter digest."""


def written_by_run(folder: Path, *, pictures: bool = True) -> frozenset[Path]:
    """Files in ``folder`` and its overlays that an earlier run wrote, finished or stopped; empty if there was none.

    A run is known by its ledger, by its summary or by the head of its table of feet. Overlays are those of the feet
    that its tables list, so that other pictures beside them stay what they are; where the list cannot be read, those
    named like one. Without ``pictures`` they are not listed, which takes long where they are many.
    """
    found: set[Path] = set()
    keeps = has_ledger(folder)
    for end in ("", PARTIAL):
        # A ledger alone is that of a run that goes on, or was stopped.
        if _is_run(folder, end) or (keeps and end):
            found.update(folder / f"{name}{end}" for name in TABLES)
            found.update(_overlays(folder, end) if pictures else ())
    if found or keeps:
        found.update(folder / name for name in BESIDE)
    return frozenset(found)


def _is_run(folder: Path, end: str) -> bool:
    try:
        with open_regular(folder / f"run.json{end}") as stream:
            about = json.loads(stream.read(_LARGEST_SUMMARY))
        if isinstance(about, dict) and about.keys() >= _SUMMARY:
            return True
    except (OSError, ValueError, RecursionError):
        pass
    head = next(_rows(folder / f"feet.csv{end}"), [])
    return any(tuple(head[: len(known)]) == known for known in _HEADS)


def has_ledger(folder: Path) -> bool:
    """Whether a run in the folder keeps a ledger: an SQLite file that says so in its head, or a note of where it is."""
    try:
        with open_regular(folder / LEDGER) as stream:
            head = stream.read(72)
        if head[:16] == b"SQLite format 3\0" and head[68:72] == LEDGER_MARK:
            return True
    except OSError:
        pass
    try:
        with open_regular(folder / LEDGER_ELSEWHERE) as stream:
            about = json.loads(stream.read(_LARGEST_SUMMARY))
        return isinstance(about, dict) and about.keys() == {"address", "run"}
    except (OSError, ValueError, RecursionError):
        return False


def _overlays(folder: Path, end: str) -> Iterator[Path]:
    rows = _rows(folder / f"crops.csv{end}")
    if next(rows, [])[:3] == ["film", "foot", "foot_index"]:
        # Also of a stopped run: it may have been stopped while it gave its files their names.
        there = _names(folder / OVERLAYS)
        for row in rows if there else ():
            if len(row) >= 3 and row[2].isdecimal():
                name = overlay_name(row[0], int(row[2]), row[1])
                for one in {name, _OVERLAY.sub(r"\g<film>\g<foot>", name)} & there:
                    yield folder / OVERLAYS / one
    elif not end:
        yield from _named_like_one(folder / OVERLAYS)
    if end:  # the overlay of the film that a run was stopped at is in no table
        yield from _named_like_one(folder / f"{OVERLAYS}{end}")


def _names(pictures: Path) -> frozenset[str]:
    try:
        with os.scandir(pictures) as entries:
            return frozenset(entry.name for entry in entries)
    except OSError:
        return frozenset()


def _named_like_one(pictures: Path) -> Iterator[Path]:
    try:
        yield from (path for path in pictures.iterdir() if _OVERLAY.fullmatch(path.name))
    except OSError:
        return


def _rows(path: Path) -> Iterator[list[str]]:
    try:
        with open_regular(path) as stream:
            lines = (line.decode("utf-8") for line in stream)
            yield from csv.reader(lines)
    except (OSError, ValueError, csv.Error):
        return

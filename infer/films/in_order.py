"""Sorts more names than should be held in memory."""

from __future__ import annotations

import heapq
import itertools
import os
import struct
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from typing import BinaryIO, cast

HELD = 50_000
"""Names held at once; a folder of a million makes twenty runs on the disk."""

_SIZE = struct.Struct("<I")


def in_order(names: Iterable[str], held: int = HELD) -> Iterator[str]:
    """``names`` sorted by code points, no more than about ``held`` of them in memory at a time.

    What exceeds it is sorted in runs, which lie in unnamed temporary files until they are merged.
    """
    rest = iter(names)
    part = sorted(itertools.islice(rest, held))
    if len(part) < held:
        yield from part
        return
    with ExitStack() as files:
        runs: list[BinaryIO] = []
        while part:
            run = cast(BinaryIO, files.enter_context(tempfile.TemporaryFile()))
            for name in part:
                octets = os.fsencode(name)
                run.write(_SIZE.pack(len(octets)) + octets)
            run.seek(0)
            runs.append(run)
            part = sorted(itertools.islice(rest, held))
        yield from heapq.merge(*map(_names, runs))


def _names(run: BinaryIO) -> Iterator[str]:
    while head := run.read(_SIZE.size):
        yield os.fsdecode(run.read(_SIZE.unpack(head)[0]))

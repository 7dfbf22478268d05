"""Names of folders that are too large for memory; memory is measured by ``tracemalloc`` of the standard library."""

from __future__ import annotations

import os
import random
import tracemalloc
from collections.abc import Iterator

import pytest

from raysplay.infer.films.in_order import in_order
from raysplay.infer.films.walk import Walk


def _names(count: int) -> Iterator[str]:
    """Different names in no order."""
    return (f"film-{number * 7919 % count:07d}-of-an-archive.dcm" for number in range(count))


@pytest.mark.parametrize("held", [1, 3, 7, 1000])
def test_sorted_like_the_library_does(held) -> None:
    names = ["b", "a\nb", "=1", "", "é", os.fsdecode(b"f\xfflm"), "Z", "aa", "a"] * 3
    random.Random(1).shuffle(names)
    assert list(in_order(iter(names), held)) == sorted(names)


def _peak(count: int) -> int:
    tracemalloc.start()
    previous, seen = "", 0
    for name in in_order(_names(count), 2000):
        assert name > previous
        previous, seen = name, seen + 1
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert seen == count
    return peak


def test_memory_stays_flat() -> None:
    """Ten times the names, hardly more memory: 200,000 of them in a list take some 16 MB."""
    few, many = _peak(20_000), _peak(200_000)
    assert many < few + 3_000_000


def test_a_walk_holds_no_list_of_files(tmp_path, monkeypatch) -> None:
    """200,000 files in 100 folders, as a system would list them; none of them exists."""

    class Entry:
        def __init__(self, name: str) -> None:
            self.name = name

    class Listing(list):
        def __enter__(self):
            return self

        def __exit__(self, *_) -> None:
            pass

    folders = [f"{number:03d}" for number in range(100)]
    for name in folders:
        (tmp_path / name).mkdir()

    def scandir(path):
        names = folders if str(path) == str(tmp_path) else list(_names(2000))
        return Listing(map(Entry, names))

    monkeypatch.setattr(os, "scandir", scandir)

    def peak(given) -> int:
        tracemalloc.start()
        listed, previous = 0, ""
        for path, problem in Walk().below(given):
            assert str(path) > previous
            assert problem is not None  # they are not there
            previous, listed = str(path), listed + 1
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert listed == (200_000 if given == tmp_path else 2000)
        return found

    few = peak(tmp_path / "000")
    # The interpreter's own table of interned strings, through which every part of a path goes, is laid out anew in the
    # meantime: 8 to 16 MB, however many files there are. A list of the paths would take 65 MB.
    assert peak(tmp_path) < few + 25_000_000

"""Files in: order, names, links, duplicates (common practice of archive walks, no source)."""

from __future__ import annotations

import os
import socket
import sys
from pathlib import Path

import pytest

from raysplay.infer.films.collect import collect
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.read import read_film
from raysplay.infer.films.settings import film_settings
from raysplay.infer.outputs.names import film_name
from raysplay.infer.reason import ReasonKind


def _fill(root: Path, names: list[str]) -> None:
    for name in names:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(name.encode())


@pytest.mark.parametrize("address", ["s3://films/1990", "https://skerry.example/a.dcm", "file:///films"])
def test_an_address_is_told_from_a_missing_file(address) -> None:
    """RFC 3986. Paths have lost a slash by the time that they come."""
    with pytest.raises(FileNotFoundError, match="only raysplay measure reads films from an address; else mount"):
        collect([Path(address)])
    with pytest.raises(FileNotFoundError, match="no such file or folder"):
        collect([Path("films:1990")])


class TestOrderAndNames:
    def test_tree_is_listed_in_order_relative_to_the_input(self, tmp_path: Path) -> None:
        _fill(tmp_path, ["b/2.dcm", "b/10.png", "a.txt", "c/d/e", "a/z"])
        names = [candidate.name for candidate in collect([tmp_path]).candidates]
        assert names == ["a/z", "a.txt", "b/10.png", "b/2.dcm", "c/d/e"]
        assert all((tmp_path / name).is_file() for name in names)

    def test_order_does_not_depend_on_the_order_of_creation(self, tmp_path: Path) -> None:
        names = ["x/1", "x/2", "y/1", "0"]
        _fill(tmp_path / "one", names)
        _fill(tmp_path / "two", names[::-1])
        assert [c.name for c in collect([tmp_path / "one"]).candidates] == [
            c.name for c in collect([tmp_path / "two"]).candidates
        ]

    def test_one_file_goes_by_its_own_name(self, tmp_path: Path) -> None:
        _fill(tmp_path, ["deep/film.dcm"])
        assert [c.name for c in collect([tmp_path / "deep/film.dcm"]).candidates] == ["film.dcm"]

    def test_several_inputs_keep_names_apart(self, tmp_path: Path) -> None:
        _fill(tmp_path, ["a/film.dcm", "b/film.dcm"])
        assert [c.name for c in collect([tmp_path / "b", tmp_path / "a"]).candidates] == ["a/film.dcm", "b/film.dcm"]

    def test_overlapping_inputs_yield_each_file_once(self, tmp_path: Path) -> None:
        _fill(tmp_path, ["a/film.dcm", "a/sub/other.dcm"])
        found = collect([tmp_path / "a/sub", tmp_path / "a", tmp_path / "a/film.dcm"]).candidates
        assert [c.name for c in found] == ["film.dcm", "sub/other.dcm"]
        assert all(c.problem is None for c in found)

    def test_names_that_begin_with_a_dot_are_names_like_others(self, tmp_path: Path) -> None:
        _fill(tmp_path, [".hidden", ".cache/film.dcm", "film.dcm"])
        assert [c.name for c in collect([tmp_path]).candidates] == [".cache/film.dcm", ".hidden", "film.dcm"]
        assert [c.name for c in collect([tmp_path / ".hidden"]).candidates] == [".hidden"]

    def test_missing_input_is_named(self, tmp_path: Path) -> None:
        with pytest.raises(FileNotFoundError, match=r"nowhere\.dcm"):
            collect([tmp_path / "nowhere.dcm"])

    @pytest.mark.skipif(sys.platform != "linux", reason="other systems refuse such names")
    def test_name_that_is_no_text_can_still_be_written_to_a_table(self, tmp_path: Path) -> None:
        (tmp_path / os.fsdecode(b"f\xfflm.dcm")).write_bytes(b"1")
        (only,) = collect([tmp_path]).candidates
        assert film_name(only.name).encode("utf-8") == b"f%FFlm.dcm"
        assert only.path.read_bytes() == b"1"


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights on Windows")
class TestLinks:
    def test_loop_of_links_ends(self, tmp_path: Path) -> None:
        _fill(tmp_path, ["a/film.dcm"])
        (tmp_path / "a/loop").symlink_to(tmp_path)
        (tmp_path / "self").symlink_to(tmp_path / "self")
        found = {c.name: c.problem and str(c.problem) for c in collect([tmp_path]).candidates}
        assert found == {"a/film.dcm": None, "self": "a link that leads nowhere"}

    def test_link_to_a_folder_outside_is_followed(self, tmp_path: Path) -> None:
        _fill(tmp_path, ["archive/film.dcm", "in/own.dcm"])
        (tmp_path / "in/linked").symlink_to(tmp_path / "archive")
        assert [c.name for c in collect([tmp_path / "in"]).candidates] == ["linked/film.dcm", "own.dcm"]

    def test_broken_link_gets_its_row(self, tmp_path: Path) -> None:
        (tmp_path / "gone.dcm").symlink_to(tmp_path / "never_there")
        (only,) = collect([tmp_path]).candidates
        assert str(only.problem) == "a link that leads nowhere"


@pytest.mark.skipif(sys.platform == "win32", reason="no such files on Windows")
class TestSpecialFiles:
    def test_each_gets_its_row_and_none_is_opened(self, tmp_path: Path, monkeypatch) -> None:
        """Opening a pipe that nobody writes to would wait for ever (POSIX, open)."""
        os.mkfifo(tmp_path / "pipe")
        (tmp_path / "zero").symlink_to("/dev/zero")
        monkeypatch.chdir(tmp_path)  # the path of a socket is short
        with socket.socket(socket.AF_UNIX) as listening:
            listening.bind("socket")
            found = {c.name: c.problem and str(c.problem) for c in collect([tmp_path]).candidates}
        assert found == {
            "pipe": "a named pipe, not a regular file",
            "socket": "a socket, not a regular file",
            "zero": "a device, not a regular file",
        }
        (only,) = collect([tmp_path / "pipe"]).candidates
        assert str(only.problem) == "a named pipe, not a regular file"

    def test_a_pipe_in_the_place_of_a_file_does_not_keep_a_reader_waiting(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "film.dcm")
        with pytest.raises(OSError, match="not a regular file"):
            open_regular(tmp_path / "film.dcm")
        with pytest.raises(FilmRejected, match="not a regular file"):
            read_film(tmp_path / "film.dcm", film_settings())


class TestLitter:
    """Names by which systems leave files in folders; common practice, no source."""

    def test_is_passed_over_and_counted(self, tmp_path: Path) -> None:
        _fill(tmp_path, [".DS_Store", "a/Thumbs.db", "a/desktop.ini", "film.dcm", ".git/HEAD", "$RECYCLE.BIN/x.dcm"])
        (tmp_path / "._film.dcm").write_bytes(b"\x00\x05\x16\x07" + bytes(60))
        found = collect([tmp_path])
        assert [c.name for c in found.candidates] == ["film.dcm"]
        assert found.litter == 6

    def test_a_film_is_a_film_whatever_its_name(self, tmp_path: Path) -> None:
        for name in (".DS_Store", "Thumbs.db", "._film.dcm"):
            (tmp_path / name).write_bytes(bytes(128) + b"DICM" + name.encode())
        found = collect([tmp_path])
        assert [c.name for c in found.candidates] == [".DS_Store", "._film.dcm", "Thumbs.db"]
        assert found.litter == 0

    def test_given_by_name_it_gets_its_row(self, tmp_path: Path) -> None:
        _fill(tmp_path, [".DS_Store"])
        assert [c.name for c in collect([tmp_path / ".DS_Store"]).candidates] == [".DS_Store"]


class TestDuplicates:
    def test_second_file_with_the_same_bytes_names_the_first(self, tmp_path: Path) -> None:
        content = os.urandom(300_000)
        for name in ("b.dcm", "a.dcm", "c.png"):
            (tmp_path / name).write_bytes(content)
        found = {c.name: c.problem and str(c.problem) for c in collect([tmp_path]).candidates}
        assert found == {"a.dcm": None, "b.dcm": "same file as a.dcm", "c.png": "same file as a.dcm"}
        kinds = {c.problem.kind for c in collect([tmp_path]).candidates if c.problem}
        assert kinds == {ReasonKind.DUPLICATE}

    @pytest.mark.parametrize("position", [0, 150_000, 299_999])
    def test_one_different_byte_is_no_duplicate(self, tmp_path: Path, position: int) -> None:
        content = bytearray(300_000)
        (tmp_path / "a").write_bytes(content)
        content[position] = 1
        (tmp_path / "b").write_bytes(content)
        assert [c.problem for c in collect([tmp_path]).candidates] == [None, None]

    def test_empty_files_are_left_to_be_refused_as_empty(self, tmp_path: Path) -> None:
        _fill(tmp_path, ["x"])
        for name in ("a", "b"):
            (tmp_path / name).write_bytes(b"")
        assert all(c.problem is None for c in collect([tmp_path]).candidates)

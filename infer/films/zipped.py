"""Reads members of ZIP archives (APPNOTE.TXT, PKWARE) in place; nothing is unpacked to the disk.

A small archive can claim to hold anything, so its directory, its members and what they unpack to are limited, and only
members that are stored or deflated are read: other methods may ask for gigabytes before their first byte.
"""

from __future__ import annotations

import os
import threading
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.litter import is_litter_folder
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.settings import FilmLimits
from raysplay.infer.reason import ReasonKind

MAGIC = b"PK\x03\x04"
EMPTY_MAGIC = b"PK\x05\x06"

DAMAGED = "a member of a ZIP archive that is truncated or damaged"

_END, _END_64, _LOCATOR_64 = b"PK\x05\x06", b"PK\x06\x06", b"PK\x06\x07"
_END_BYTES, _LONGEST_COMMENT = 22, 0xFFFF
_UNKNOWN = 0xFFFFFFFF
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_ENCRYPTED = 0x1
# Members by which office documents and packages of programs are known: ISO/IEC 29500-2, OpenDocument 1.2 part 3, JAR.
_OF_DOCUMENTS = frozenset({"[Content_Types].xml", "mimetype", "META-INF/MANIFEST.MF"})


@dataclass(frozen=True)
class Member:
    """A member that gets a row: its name within the archive, its size, and its problem if it need not be opened."""

    name: str
    size: int
    problem: FilmRejected | None = None


class Archive:
    """An open ZIP archive.

    Attributes
    ----------
    members : tuple of Member
        In the order of the parts of their names.
    litter : int
        Members that systems leave behind and that were passed over.

    Raises
    ------
    FilmRejected
        If it cannot be gone through; the kind says why.
    """

    def __init__(self, stream: BinaryIO, limits: FilmLimits) -> None:
        self._limits = limits
        size = os.fstat(stream.fileno()).st_size
        _check_directory(stream, size, limits)
        try:
            self._archive = zipfile.ZipFile(stream)
        except MemoryError:
            raise
        except Exception as error:  # the library raises what it meets
            raise _unusable("its directory cannot be read") from error
        infos = [info for info in self._archive.infolist() if not info.filename.endswith("/")]
        if len(infos) > limits.max_zip_members:
            raise _unusable(f"it has more than {limits.max_zip_members} members")
        if not _OF_DOCUMENTS.isdisjoint(info.filename for info in infos):
            raise FilmRejected("an office document or a program package, not a study", ReasonKind.OTHER_FILE)
        unpacked = sum(info.file_size for info in infos)
        if unpacked > limits.max_file_bytes and unpacked > limits.max_zip_ratio * size:
            raise _unusable(f"it unpacks to more than {limits.max_zip_ratio:g} times its size")
        self.litter = 0
        self._infos: dict[str, zipfile.ZipInfo] = {}
        self.members = tuple(sorted(self._named(infos), key=lambda one: one.name.split("/")))

    def _named(self, infos: list[zipfile.ZipInfo]) -> Iterator[Member]:
        for info in infos:
            parts = [part for part in info.filename.split("/") if part not in ("", ".")]
            if any(is_litter_folder(part) for part in parts[:-1]):
                self.litter += 1
                continue
            name, problem = "/".join(parts), None
            if not parts:
                name = "(no name)"
                problem = FilmRejected("a member of a ZIP archive without a name", ReasonKind.CONTAINER)
            if ".." in parts:
                name = "/".join("(..)" if part == ".." else part for part in parts)
                problem = FilmRejected("its name leads out of the ZIP archive that holds it", ReasonKind.CONTAINER)
            number = 2
            while name in self._infos:
                name = f"{'/'.join(parts) or '(no name)'} ({number})"
                number += 1
                problem = FilmRejected("another member of the ZIP archive has the same name", ReasonKind.CONTAINER)
            self._infos[name] = info
            yield Member(name, info.file_size, problem or self._problem(info))

    def _problem(self, info: zipfile.ZipInfo) -> FilmRejected | None:
        if info.flag_bits & _ENCRYPTED:
            return FilmRejected("a member of an encrypted ZIP archive: decrypt it first", ReasonKind.ENCRYPTED)
        if info.compress_type not in _METHODS:
            said = "a member of a ZIP archive packed by a method that is not read: pack it by deflate"
            return FilmRejected(said, ReasonKind.CONTAINER)
        if info.file_size > self._limits.max_file_bytes:
            return FilmRejected(f"too large: {info.file_size} bytes, the limit is {self._limits.max_file_bytes}")
        return None

    def __contains__(self, name: str) -> bool:
        return name in self._infos

    def read(self, name: str, most: int | None = None) -> bytes:
        """Bytes of a member, the first ``most`` of them; its checksum is compared where all are read.

        Raises
        ------
        FilmRejected
            If there is no such member, or it cannot be read.
        """
        info = self._infos.get(name)
        if info is None:
            raise FilmRejected("the ZIP archive holds no such file", ReasonKind.MISSING)
        problem = self._problem(info)
        if problem is not None:
            raise problem
        try:
            with self._archive.open(info) as member:
                content = member.read(info.file_size if most is None else most)
                # The checksum is looked at behind the last byte only.
                if most is None and (len(content) < info.file_size or member.read(1)):
                    raise FilmRejected(DAMAGED, ReasonKind.TRUNCATED)
        except (FilmRejected, MemoryError):
            raise
        except Exception as error:
            raise FilmRejected(DAMAGED) from error
        return content

    def close(self) -> None:
        """Let go of the archive; the stream is its owner's."""
        self._archive.close()


def is_zip(head: bytes) -> bool:
    """Whether a file that begins so is a ZIP archive."""
    return head.startswith((MAGIC, EMPTY_MAGIC))


def read_member(file: Path, name: str, limits: FilmLimits) -> bytes:
    """Bytes of a member of the archive in ``file``; the archive stays open for the next one. Threads take turns.

    Raises
    ------
    FilmRejected
        If archive or member cannot be read.
    OSError
        If the file cannot be opened.
    """
    with _turn:
        return _read_member(file, name, limits)


def _read_member(file: Path, name: str, limits: FilmLimits) -> bytes:
    global _kept
    status = os.stat(file)
    key = (file, status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns, limits)
    if _kept is None or _kept[0] != key:
        if _kept is not None:
            _kept[1].close()
            _kept[2].close()
            _kept = None
        stream = open_regular(file)
        try:
            _kept = (key, Archive(stream, limits), stream)
        except BaseException:
            stream.close()
            raise
    content = _kept[1].read(name)
    after = os.stat(file)
    if (after.st_size, after.st_mtime_ns) != (status.st_size, status.st_mtime_ns):
        raise FilmRejected("the ZIP archive was changed while it was read", ReasonKind.CHANGED)
    return content


_kept: tuple[object, Archive, BinaryIO] | None = None
_turn = threading.Lock()


def _check_directory(stream: BinaryIO, size: int, limits: FilmLimits) -> None:
    """Refuse an archive without a directory, or with a larger one than may be held in memory."""
    reach = min(size, _END_BYTES + _LONGEST_COMMENT)
    stream.seek(size - reach)
    tail = stream.read(reach)
    at = tail.rfind(_END)
    if at < 0 or at + _END_BYTES > len(tail):
        raise _unusable("it is cut off or damaged: the directory at its end is missing")
    directory = int.from_bytes(tail[at + 12 : at + 16], "little")
    if directory == _UNKNOWN and at >= 20 and tail[at - 20 : at - 16] == _LOCATOR_64:
        stream.seek(min(int.from_bytes(tail[at - 12 : at - 4], "little"), size))
        end = stream.read(56)
        directory = int.from_bytes(end[40:48], "little") if end[:4] == _END_64 else _UNKNOWN
    if directory > size:
        raise _unusable("it is cut off or damaged: its directory is larger than the file")
    if directory > limits.max_zip_directory_bytes:
        raise _unusable(f"its directory is larger than {limits.max_zip_directory_bytes} bytes")


def _unusable(why: str) -> FilmRejected:
    return FilmRejected(f"a ZIP archive that cannot be gone through: {why}", ReasonKind.CONTAINER)

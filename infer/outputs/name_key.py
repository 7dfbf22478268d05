"""The key under which a run writes identifiers in place of the names of files and folders.

An identifier is HMAC-SHA256 (RFC 2104, FIPS 180-4) of a film's whole path under a key that lies in one file outside of
the results. Without the key nobody can try out names; with key and archive every name can be given back
(:mod:`raysplay.infer.named_films`). What else would tell a file from others is keyed, too: digests of its bytes, size,
time and number of the file. The key of the codes of persons (:mod:`raysplay.infer.films.person`) follows from it.
"""

from __future__ import annotations

import hashlib
import hmac
import inspect
import itertools
import os
import re
import secrets
from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path, PurePosixPath

from raysplay.configs.errors import RaysplayError
from raysplay.infer.films.candidate import Candidate
from raysplay.infer.outputs.owner_only import make_file, make_folder

_HEAD = "raysplay-name-key-1"
_WRITTEN = re.compile(rf"{_HEAD} ([0-9a-f]{{64}})\n?")
_LONGEST_FILE = 4096

_DIGITS = 24
"""Hexadecimal digits of an identifier, 96 bits: among 100 million films two share one with a probability of about
6e-14 (n squared over twice 2 to the 96th)."""

_PREFIX = "film-"
"""In front of the digits: 12345678901e... would be a number to a spreadsheet."""

IDENTIFIER = re.compile(rf"{_PREFIX}[0-9a-f]{{{_DIGITS}}}")


class NameKeyError(RaysplayError, ValueError):
    """A key for names that cannot be used; the message names its file and says why."""


class NameKey:
    """Makes identifiers; different uses of the key have nothing to do with each other.

    Parameters
    ----------
    key : bytes
        32 bytes.
    """

    def __init__(self, key: bytes) -> None:
        self._key = key

    @property
    def mark(self) -> str:
        """By which the key is known again; it tells nothing of the key."""
        return self._code("mark", b"")[:16]

    @property
    def person_key(self) -> str:
        """The key for codes of persons, in hexadecimal digits: the same person has one code in all runs."""
        return self._code("persons", b"")

    def identifier(self, path: str) -> str:
        """Of a film.

        Parameters
        ----------
        path : str
            Whole, with forward slashes; bytes that are no text as Python gives them.
        """
        return f"{_PREFIX}{self._code('film', path.encode('utf-8', 'surrogatepass'))[:_DIGITS]}"

    def digest(self, sha256: str) -> str:
        """In place of a digest of bytes; an empty one stays so."""
        return sha256 and self._code("bytes", sha256.encode("ascii"))

    def number(self, use: str, value: int) -> int:
        """In place of a number, 0 to 2**63 - 1."""
        return int(self._code(f"number {use}", str(value).encode("ascii"))[:16], 16) >> 1

    def path(self, path: str) -> str:
        """In place of a path that is not a film's."""
        return self._code("path", path.encode("utf-8", "surrogatepass"))

    def _code(self, use: str, what: bytes) -> str:
        return hmac.new(self._key, use.encode("ascii") + b"\0" + what, hashlib.sha256).hexdigest()


def made_or_read(place: Path, out: Path, *, make: bool) -> tuple[NameKey, bool]:
    """The key in a file, and whether it was made now.

    Parameters
    ----------
    place : Path
    out : Path
        Folder of the results, in which no key may lie.
    make : bool
        Whether a key that is not there is made.

    Raises
    ------
    NameKeyError
        If it lies in the folder, is missing and not to be made, cannot be made or read, or is no key.
    """
    refuse_inside(place, out)
    made = make and not os.path.lexists(place)
    if made:
        try:
            make_folder(place.absolute().parent)
            make_file(place)
            place.write_text(f"{_HEAD} {secrets.token_hex(32)}\n", encoding="ascii")
        except OSError as error:
            raise NameKeyError(f"{place}: the key for names cannot be made ({error.strerror})") from None
    return read_name_key(place), made


def read_name_key(place: Path) -> NameKey:
    """The key in a file.

    Raises
    ------
    NameKeyError
        If there is no such file, it cannot be read, or it is no key.
    """
    try:
        if place.exists() and not place.is_file():
            raise NameKeyError(f"{place}: is no file with a key for names")
        with place.open("rb") as stream:
            text = stream.read(_LONGEST_FILE)
    except FileNotFoundError:
        raise NameKeyError(
            f"{place}: the key for names is not there. Bring it back: without it nobody can say which film is which"
        ) from None
    except OSError as error:
        raise NameKeyError(f"{place}: the key for names cannot be read ({error.strerror})") from None
    found = _WRITTEN.fullmatch(text.decode("ascii", "replace").replace("\r\n", "\n"))
    if not found:
        raise NameKeyError(f"{place}: is no key for names (one line: {_HEAD} and 64 hexadecimal digits)")
    return NameKey(bytes.fromhex(found[1]))


def refuse_inside(place: Path, out: Path) -> None:
    """Refuse a key in the folder of the results, by whatever links.

    Raises
    ------
    NameKeyError
    """
    folder = Path(os.path.realpath(out))
    here = Path(os.path.realpath(place.absolute().parent)) / place.name
    if here.is_relative_to(folder) or Path(os.path.realpath(place)).is_relative_to(folder):
        raise NameKeyError(
            f"{place}: the key for names must not lie in the folder of the results ({out}): whoever is given the "
            "folder would have the names"
        )


def hidden(candidates: Iterable[Candidate], key: NameKey) -> list[Candidate]:
    """Films under identifiers, in the order of these, which tells nothing of that of the names.

    Raises
    ------
    NameKeyError
        If two films share an identifier.
    """
    renamed = [replace(one, name=key.identifier(whole_path(one))) for one in candidates]
    renamed.sort(key=lambda one: one.name)
    for one, other in itertools.pairwise(renamed):
        if one.name == other.name:
            raise NameKeyError("two films have the same identifier under this key; make another key")
    return renamed


def whole_path(candidate: Candidate) -> str:
    """The path by which a film has its identifier: its folder of films with links followed, then its name below it.

    So a film has one identifier whether the archive was given or a folder within it.
    """
    parts = PurePosixPath(candidate.name).parts
    folders = candidate.path.parents
    if PurePosixPath(candidate.name).is_absolute() or len(parts) > len(folders):
        return candidate.path.as_posix()
    return f"{_real(str(folders[len(parts) - 1]))}/{candidate.name}"


@lru_cache(maxsize=64)
def _real(folder: str) -> str:
    return Path(os.path.realpath(folder)).as_posix().rstrip("/")


def command_without_names(command: Sequence[str]) -> list[str]:
    """A command line without anything that a person chose: the program, and the names of options of ``measure``."""
    from raysplay.infer.command import measure

    options = {f"--{name.replace('_', '-')}" for name in inspect.signature(measure).parameters} | {"--no-overlays"}
    given = (token.split("=", 1)[0] for token in itertools.takewhile(lambda token: token != "--", command[1:]))
    return ["raysplay", *(name for name in given if name in options)]

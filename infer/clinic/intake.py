"""Films that are dropped: taken in whole, under a name that the desk gives them, each only once.

No name of a user's file becomes part of a path: it is kept as text beside the film. A name may also hold that of a
person, and reports show names of films.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from starlette.concurrency import run_in_threadpool

from raysplay.configs.errors import RaysplayError
from raysplay.infer.clinic.desk_folder import DeskFolder
from raysplay.infer.clinic.records import ArrivedFilm, Records
from raysplay.infer.clinic.settings import ClinicSettings
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.litter import is_litter_name
from raysplay.infer.films.settings import film_settings
from raysplay.infer.films.zipped import Archive, is_zip
from raysplay.infer.outputs.names import cell_text

_ENDINGS = (".dcm", ".dicom", ".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".zip")
_LONGEST_NAME = 200
_INDEX = "DICOMDIR"


class IntakeError(RaysplayError):
    """A file that was not taken in; the message is for the person who dropped it."""


class TooLargeError(IntakeError):
    """It is larger than the desk takes."""


class DiskFullError(IntakeError):
    """There is no room for it."""


@dataclass(frozen=True)
class Taken:
    """What became of one file.

    Attributes
    ----------
    given : str
        As it was called.
    film : ArrivedFilm or None
        None where it was left out.
    known : bool
        Whether the desk had it already.
    why : str
        Why it was left out; else empty.
    """

    given: str
    film: ArrivedFilm | None
    known: bool = False
    why: str = ""


class Intake:
    """Takes in films of one desk."""

    def __init__(self, folder: DeskFolder, records: Records, settings: ClinicSettings) -> None:
        self._folder, self._records, self._settings = folder, records, settings
        self.keeping = threading.Lock()
        """Held while a film is put in its place."""

    async def take(self, given: str, by: str, parts: AsyncIterator[bytes], announced: int) -> list[Taken]:
        """Take in one file; of a ZIP archive, every member.

        Parameters
        ----------
        given : str
            As the user's file was called.
        by : str
            Initials.
        parts : async iterator of bytes
        announced : int
            Bytes that are to come; 0 where that is not known.

        Raises
        ------
        IntakeError
            If it is too large, empty, or there is no room; nothing of it is kept.
        """
        self._room_for(announced)
        arriving = self._new_file()
        try:
            size, digest = 0, hashlib.sha256()
            with arriving.open("wb") as stream, _in_words():
                async for part in parts:
                    size += len(part)
                    if size > self._settings.upload_bytes:
                        raise TooLargeError(_too_large(self._settings.upload_bytes))
                    stream.write(part)
                    digest.update(part)
                stream.flush()
                os.fsync(stream.fileno())
            return await run_in_threadpool(self._keep_all, arriving, shown_name(given), size, digest.hexdigest(), by)
        finally:
            arriving.unlink(missing_ok=True)

    def _keep_all(self, arriving: Path, given: str, size: int, digest: str, by: str) -> list[Taken]:
        with arriving.open("rb") as stream:
            head = stream.read(4)
            if is_zip(head):
                try:
                    return list(self._members(Archive(stream, film_settings()), given, by))
                except FilmRejected:
                    pass  # no archive of films: it is kept as a film, and its row says what is wrong with it
        return [self._keep(arriving, given, size, digest, by)]

    def _members(self, archive: Archive, given: str, by: str) -> Iterator[Taken]:
        for member in archive.members:
            name = shown_name(f"{given}/{member.name}")
            if member.problem is not None:
                yield Taken(name, None, why=str(member.problem))
                continue
            try:
                self._room_for(member.size)
                content = archive.read(member.name)
            except (FilmRejected, IntakeError) as error:
                yield Taken(name, None, why=str(error))
                continue
            arriving = self._new_file()
            try:
                with _in_words():
                    arriving.write_bytes(content)
                yield self._keep(arriving, name, len(content), hashlib.sha256(content).hexdigest(), by)
            except IntakeError as error:
                yield Taken(name, None, why=str(error))
            finally:
                arriving.unlink(missing_ok=True)

    def _keep(self, arriving: Path, given: str, size: int, digest: str, by: str) -> Taken:
        """Put a whole file among the films, unless its bytes are there already."""
        name = PurePosixPath(given).name
        if name.upper() == _INDEX:
            return Taken(given, None, why="an index of a medium, no film: drop the films beside it")
        if is_litter_name(name):
            return Taken(given, None, why="a file of the operating system, no film")
        if not size:
            return Taken(given, None, why="the file is empty")
        if size > (limit := film_settings().max_file_bytes):
            return Taken(given, None, why=_too_large(limit))
        with self.keeping, _in_words():
            known = self._records.film_of(digest)
            film = known or self._records.add_film(digest, given, size, ending_of(name), by)
            place = self._folder.films / film.name
            if known and place.exists():
                return Taken(given, film, known=True)
            os.replace(arriving, place)  # also where the file of a known film was lost
        return Taken(given, film, known=known is not None)

    def _new_file(self) -> Path:
        with _in_words():
            descriptor, name = tempfile.mkstemp(dir=self._folder.arriving)
            os.close(descriptor)
        return Path(name)

    def _room_for(self, size: int) -> None:
        if size > self._settings.upload_bytes:
            raise TooLargeError(_too_large(self._settings.upload_bytes))
        with _in_words():
            free = shutil.disk_usage(self._folder.path).free
        if size + self._settings.free_bytes > free:
            raise DiskFullError("the disk has no room for this file; make room and drop it again")


def shown_name(given: str) -> str:
    """A user's name of a file as text of one line: slashes between its parts, the last 200 characters.

    Examples
    --------
    >>> shown_name("..\\\\..\\\\harbour/keeper.dcm")
    '../../harbour/keeper.dcm'
    """
    text = " ".join(given.replace("\\", "/").split()).strip("/")
    return cell_text(text[-_LONGEST_NAME:]) or "(no name)"


def ending_of(name: str) -> str:
    """Ending of a film's own file: one of those that films have, or none.

    Examples
    --------
    >>> ending_of("KEEPER.DCM"), ending_of("keeper.dcm/../../x"), ending_of("1.2.840.10008")
    ('.dcm', '', '')
    """
    ending = PurePosixPath(name).suffix.lower()
    return ending if ending in _ENDINGS else ""


def _too_large(limit: int) -> str:
    return f"the file is too large; the limit is {limit // 2**20} MiB"


@contextmanager
def _in_words() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise DiskFullError(f"the file could not be kept ({error.strerror or 'the system refuses'})") from error

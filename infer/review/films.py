"""Films of a run as a screen shows them: 16 bits a pixel, bone bright, the next ones decoded ahead."""

from __future__ import annotations

import hashlib
import os
import threading
from collections import OrderedDict
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import numpy as np
import numpy.typing as npt

from raysplay.configs.errors import RaysplayError
from raysplay.configs.plain_file import open_plain
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.films.place import place_of
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.films.settings import film_settings
from raysplay.infer.outputs.finished_run import FilmFacts, FinishedRun
from raysplay.infer.outputs.names import film_path


class FilmUnavailableError(RaysplayError):
    """A film that cannot be shown; ``str()`` is one sentence without a path."""


@dataclass(frozen=True)
class Picture:
    """Grey values of a film over their whole range: unsigned 16 bits, little-endian, row by row, bone bright.

    ``low`` and ``high`` are the values that the film's window shows black and white.
    """

    rows: int
    columns: int
    data: bytes
    low: int
    high: int


class FilmShelf:
    """Opens films of a run and keeps the latest ones.

    One decoding process serves the film that is asked for, another the films that will be asked for next, so that
    nobody waits for a guess.

    Parameters
    ----------
    run : FinishedRun
    folder : Path or None
        Where the films lie now; by default where they lay when the run was made.
    cache_bytes : int
        Memory for films that are kept.
    """

    def __init__(self, run: FinishedRun, folder: Path | None, cache_bytes: int) -> None:
        self._run = run
        self._folder = folder or run.films_folder
        self._cache_bytes = cache_bytes
        self._lock = threading.Lock()
        self._kept: OrderedDict[int, Future[Picture]] = OrderedDict()
        self._guessed: set[int] = set()
        self._digests: dict[tuple[int, int, int], str] = {}
        limits = film_settings().model_copy(update={"beyond_window": True})
        self._readers = FilmReader(limits), FilmReader(limits)
        self._asked, self._ahead = (ThreadPoolExecutor(1, thread_name_prefix=name) for name in ("asked", "ahead"))

    def __enter__(self) -> FilmShelf:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the decoding processes."""
        for pool in (self._asked, self._ahead):
            pool.shutdown(wait=True, cancel_futures=True)
        for reader in self._readers:
            reader.close()

    def picture(self, film: int) -> Picture:
        """The film, decoded now if it was not yet.

        Raises
        ------
        FilmUnavailableError
            If the file is missing or yields no film; other films are not touched.
        """
        return self._request(film, ahead=False).result()

    def begin(self, film: int) -> None:
        """Decode a film in the background as if it had been asked for; its decoding process is ready from then on."""
        self._request(film, ahead=False)

    def prepare(self, films: Iterable[int]) -> None:
        """Decode films in the background, in the order given."""
        for film in films:
            self._request(film, ahead=True)

    def notice(self, film: int) -> str:
        """What a reader must know of the file, in a sentence: missing, or changed since the run; else empty."""
        facts = self._run.film(film)
        try:
            now = self._digest(film, self._path(facts))
        except FilmUnavailableError as error:
            return str(error)
        # Files that the run did not read, copies among them, have no digest to differ from.
        if self._run.named is not None:
            now = self._run.named.key.digest(now)
        if facts.sha256 and now != facts.sha256:
            return (
                "This file is not the one that was measured: points may lie elsewhere on it. "
                "Saved reads are kept as they are."
            )
        return ""

    def _request(self, film: int, *, ahead: bool) -> Future[Picture]:
        with self._lock:
            kept = self._kept.get(film)
            # A guess that has not begun is taken out of its queue: whoever asks waits for this film alone.
            if kept is not None and (ahead or film not in self._guessed or not kept.cancel()):
                self._kept.move_to_end(film)
                return kept
            pool, reader = (self._ahead, self._readers[1]) if ahead else (self._asked, self._readers[0])
            (self._guessed.add if ahead else self._guessed.discard)(film)
            self._kept[film] = pool.submit(self._open, film, reader)
            self._kept.move_to_end(film)
            return self._kept[film]

    def _open(self, film: int, reader: FilmReader) -> Picture:
        facts = self._run.film(film)
        try:
            opened = reader.read(self._path(facts))
        except FilmRejected as rejected:
            self._forget(film)
            raise FilmUnavailableError(f"The film cannot be shown: {rejected}") from None
        except BaseException:
            self._forget(film)
            raise
        # A film in doubt was read as its feet showed best, which the file alone does not tell.
        as_measured = _turned(opened.remarks) == _turned(facts.remarks)
        picture = _whole_range(opened.pixels if as_measured else np.float32(1.0) - opened.pixels)
        self._make_room(len(picture.data))
        return picture

    def _forget(self, film: int) -> None:
        with self._lock:
            self._kept.pop(film, None)

    def _make_room(self, new: int) -> None:
        """Drop the films longest unused until a new one fits."""
        with self._lock:
            done = {
                film: len(one.result().data) for film, one in self._kept.items() if one.done() and not one.exception()
            }
            total = new + sum(done.values())
            for film, size in done.items():
                if total <= self._cache_bytes:
                    return
                del self._kept[film]
                total -= size

    def _path(self, facts: FilmFacts) -> Path:
        if self._run.recorded.name_key:
            return self._named(facts.name)
        if self._folder is None:
            raise FilmUnavailableError("The run does not say where its films lie; start review with --films.")
        folder = Path(os.path.abspath(self._folder))
        path = Path(os.path.normpath(folder / film_path(facts.name)))
        if not path.is_relative_to(folder):
            raise FilmUnavailableError("The film's name leads out of the folder of films; it is not opened.")
        # Unlike Path.is_file, this takes a folder that may not be entered for one without the film.
        if not os.path.isfile(place_of(path).file):
            raise FilmUnavailableError(
                "The film is not where it was measured. Start review with --films and the folder that holds it now."
            )
        return path

    def _named(self, film: str) -> Path:
        """The path of a film that stands under an identifier."""
        named = self._run.named
        if named is None or not named.paths:
            raise FilmUnavailableError(
                "The names of this run's films are hidden; start review with --name-key and --films to see them."
            )
        path = named.paths.get(film)
        if path is None or not os.path.isfile(place_of(path).file):
            raise FilmUnavailableError("The film is not in the folder of --films.")
        return path

    def _digest(self, film: int, path: Path) -> str:
        try:
            place = place_of(path)
            about = place.file.stat()
            key = film, about.st_size, about.st_mtime_ns
            if key not in self._digests:
                if place.inside:
                    from raysplay.infer.films.read import film_digest  # brings the decoders with it

                    self._digests[key] = film_digest(path, film_settings())
                else:
                    with open_plain(path, film_settings().max_file_bytes) as stream:
                        self._digests[key] = hashlib.file_digest(stream, "sha256").hexdigest()
            return self._digests[key]
        except FilmRejected as rejected:
            raise FilmUnavailableError(f"The film cannot be read ({rejected}).") from rejected
        except OSError as error:
            raise FilmUnavailableError(f"The film cannot be read ({error.strerror}).") from error


def _whole_range(pixels: npt.NDArray[np.float32]) -> Picture:
    """A decoded film as 16-bit values; what lies beyond its window (0 and 1) is kept."""
    first, last = min(0.0, float(pixels.min())), max(1.0, float(pixels.max()))
    scale = 65535.0 / (last - first)
    grey = np.rint((pixels - np.float32(first)) * np.float32(scale)).astype("<u2")
    rows, columns = grey.shape
    return Picture(rows, columns, grey.tobytes(), round(-first * scale), round((1.0 - first) * scale))


def _turned(remarks: Iterable[Remark]) -> bool:
    return any(remark.kind is RemarkKind.INVERTED for remark in remarks)

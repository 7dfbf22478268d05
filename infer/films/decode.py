"""Decodes films in a process of their own, so that no file can end or fill the main one."""

from __future__ import annotations

import contextlib
import json
import queue
import signal
import subprocess
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import IO, Any

import numpy as np

from raysplay.infer.films.decoder_process import READS_FILMS, begun, ended
from raysplay.infer.films.film import Damage, Film, FilmRejected, FoundWriting, Spacing, SpacingKind
from raysplay.infer.films.loading import Loading, Stated
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.films.settings import FilmLimits, film_settings
from raysplay.infer.reason import ReasonKind

_START_SECONDS = 120.0
_PIPE_BYTES = 1 << 20


class FilmReader:
    """Reads films one after another in a child process that is replaced whenever it dies.

    The child is kept from file to file. It may use ``limits.decode_memory_bytes`` of address space
    (where the system can enforce it) and ``limits.decode_seconds`` a file. A crash or a lack of memory
    in a child that has already served other files is tried once more in a fresh one, so that no film
    pays for an earlier one; what the first attempt took of the time is gone. A reader serves one thread
    at a time; use several for several cores.

    Parameters
    ----------
    limits : FilmLimits, optional
        Those of ``configs/films.yaml`` by default.
    decoder : str, optional
        ``module:function`` taking a path and the limits, imported in the child.

    Examples
    --------
    >>> with FilmReader() as reader:  # doctest: +SKIP
    ...     film = reader.read(Path("foot.dcm"))
    """

    def __init__(self, limits: FilmLimits | None = None, decoder: str = READS_FILMS) -> None:
        self._limits = limits or film_settings()
        self._decoder = decoder
        self._child: subprocess.Popen[bytes] | None = None
        self._served = 0
        self._lock = threading.Lock()

    def __enter__(self) -> FilmReader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def child_pid(self) -> int | None:
        """Process id of the living child, for those who want to watch it."""
        return self._child.pid if self._child is not None and self._child.poll() is None else None

    def read(self, path: Path) -> Film:
        """Decode the file at ``path``.

        Raises
        ------
        FilmRejected
            With one plain reason, whatever goes wrong with the file.
        RuntimeError
            If the decoding process cannot be started at all.
        """
        with self._lock:
            try:
                left = self._limits.decode_seconds
                try:
                    return self._attempt(path, left)
                except _ChildFailed as failure:
                    left -= failure.seconds
                    if failure.final or left <= 0:
                        raise failure.rejected from None
                try:
                    return self._attempt(path, left)
                except _ChildFailed as failure:
                    raise failure.rejected from None
            except FilmRejected:
                raise
            except BaseException:
                self._retire()  # an interrupted answer would be taken for the next film's
                raise

    def close(self) -> None:
        """End the child."""
        with self._lock:
            child = self._child
            if child is not None and child.stdin is not None:
                with contextlib.suppress(OSError):
                    child.stdin.close()
                with contextlib.suppress(subprocess.TimeoutExpired):
                    child.wait(timeout=2.0)
            self._retire()

    def _attempt(self, path: Path, seconds: float) -> Film:
        if self._child is None or self._child.poll() is not None:
            self._start()
        child, fresh = self._child, self._served == 0
        assert child is not None
        assert child.stdin is not None
        assert child.stdout is not None
        self._served += 1
        overdue = threading.Event()

        def stop() -> None:
            overdue.set()
            child.kill()

        watch = threading.Timer(seconds, stop)
        watch.daemon = True
        watch.start()
        began = time.monotonic()
        try:
            child.stdin.write(json.dumps(str(path)).encode("ascii") + b"\n")
            child.stdin.flush()
            header = json.loads(child.stdout.readline())
            if "reason" not in header:
                return _film(path, header, child.stdout, self._limits)
        except (OSError, EOFError, ValueError):
            self._retire()
            if overdue.is_set():
                said = f"decoding took longer than {self._limits.decode_seconds:g} s"
                raise _ChildFailed(FilmRejected(said), seconds, final=True) from None
            raise _ChildFailed(FilmRejected(_cause(child.returncode)), time.monotonic() - began, final=fresh) from None
        finally:
            watch.cancel()
        rejected = FilmRejected(header["reason"], ReasonKind[header["kind"]], header["numbers"])
        if rejected.kind is ReasonKind.OUT_OF_MEMORY:
            self._retire()
            raise _ChildFailed(rejected, time.monotonic() - began, final=fresh)
        raise rejected

    def _start(self) -> None:
        self._retire()
        child = begun(self._decoder)
        self._child, self._served = child, 0
        assert child.stdin is not None
        assert child.stdout is not None
        _widen(child.stdout)
        watch = threading.Timer(_START_SECONDS, child.kill)
        watch.daemon = True
        watch.start()
        try:
            child.stdin.write(self._limits.model_dump_json().encode("utf-8") + b"\n")
            child.stdin.flush()
            json.loads(child.stdout.readline())
        except (OSError, ValueError):
            self._retire()
            raise RuntimeError("the decoding process could not be started") from None
        finally:
            watch.cancel()

    def _retire(self) -> None:
        child, self._child = self._child, None
        if child is not None:
            ended(child)


class FilmReaders:
    """Readers for several threads, each with a child of its own; no more are started than are needed at once.

    Parameters
    ----------
    at_once : int
        Threads that may read.
    limits : FilmLimits, optional
        Those of ``configs/films.yaml`` by default.
    """

    def __init__(self, at_once: int, limits: FilmLimits | None = None) -> None:
        self.at_once = at_once
        self._readers = [FilmReader(limits) for _ in range(at_once)]
        # The last one used comes first: its child is there already.
        self._free: queue.LifoQueue[FilmReader] = queue.LifoQueue()
        for reader in reversed(self._readers):
            self._free.put(reader)

    def __enter__(self) -> FilmReaders:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def read(self, path: Path) -> Film:
        """Decode the file at ``path``, as :meth:`FilmReader.read` does.

        Raises
        ------
        FilmRejected, RuntimeError
            As there.
        """
        reader = self._free.get()
        try:
            return reader.read(path)
        finally:
            self._free.put(reader)

    def close(self) -> None:
        """End all children."""
        for reader in self._readers:
            reader.close()


class _ChildFailed(Exception):  # noqa: N818
    """The child died or ran out of memory after some seconds; ``final`` if trying again would change nothing."""

    def __init__(self, rejected: FilmRejected, seconds: float, *, final: bool) -> None:
        super().__init__(str(rejected))
        self.rejected = rejected
        self.seconds = seconds
        self.final = final


def _film(path: Path, header: dict[str, Any], stream: IO[bytes], limits: FilmLimits) -> Film:
    rows, columns = (int(side) for side in header["shape"])
    if rows * columns > limits.max_pixels:
        raise ValueError("the child announced a film beyond the limits")
    pixels = np.empty((rows, columns), dtype=np.float32)
    target = pixels.data.cast("B")
    while target:
        received = stream.readinto(target)  # type: ignore[attr-defined]
        if not received:
            raise EOFError
        target = target[received:]
    boxes = header["writing"]
    row_mm, column_mm, kind, aspect, confirmed = header["spacing"]
    return Film(
        path=path,
        pixels=pixels,
        spacing=Spacing(row_mm, column_mm, SpacingKind[kind], aspect, confirmed),
        laterality=header["laterality"],
        view=header["view"],
        loading=Loading[header["loading"]],
        loading_stated=frozenset(Stated[name] for name in header["loading_stated"]),
        sha256=header["sha256"],
        polarity_doubtful=header["polarity_doubtful"],
        person=header["person"],
        taken=header["taken"],
        sex=header["sex"],
        age=header["age"],
        terms=tuple(header["terms"]),
        damage=Damage[header["damage"]] if header["damage"] else None,
        remarks=tuple(Remark(RemarkKind[name], text) for name, text in header["remarks"]),
        found_writing=None if boxes is None else FoundWriting(pixels, np.array(boxes, dtype=np.int64).reshape(-1, 4)),
    )


def _cause(returncode: int | None) -> str:
    if returncode is not None and returncode < 0:
        try:
            name = signal.Signals(-returncode).name
        except ValueError:
            name = f"signal {-returncode}"
        if name == "SIGKILL":
            return "the decoder was ended by the system, probably for lack of memory"
        return f"the decoder crashed on this file ({name})"
    return f"the decoder ended unexpectedly on this file (status {returncode})"


def _widen(stream: IO[bytes]) -> None:
    """A larger pipe saves turns between the two processes; Linux only."""
    with contextlib.suppress(ImportError, AttributeError, OSError):
        import fcntl

        fcntl.fcntl(stream.fileno(), fcntl.F_SETPIPE_SZ, _PIPE_BYTES)

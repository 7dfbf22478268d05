"""Reads films in a process of its own, which is replaced when a film ends it or keeps it too long."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from typing import Any

from raysplay.infer.archive.job import Answer, EngineError, Job, Reading
from raysplay.infer.archive.reading import troubled
from raysplay.infer.archive.settings import EngineSettings, engine_settings
from raysplay.infer.films.address import is_address
from raysplay.infer.films.film_identity import Stamp, stamp
from raysplay.infer.outputs.names import film_name
from raysplay.infer.reason import ReasonKind

NETWORKS = "raysplay.infer.measuring:networks"
_LONGEST_ANSWER = 2**30
_ATTEMPTS = 2


class ReaderProcess:
    """One reading process; serves one thread at a time.

    A film on which it dies, or that takes too long, is tried once more in a fresh process. Then it is set aside with
    its reason.

    Parameters
    ----------
    reading : Reading
    loader : str
        ``module:function`` that loads the networks.
    settings : EngineSettings, optional
    """

    def __init__(self, reading: Reading, loader: str = NETWORKS, settings: EngineSettings | None = None) -> None:
        self._reading, self._loader = reading, loader
        self._settings = settings or engine_settings()
        self._child: subprocess.Popen[bytes] | None = None
        self._scratch: tempfile.TemporaryDirectory[str] | None = None
        self._closed = False
        self.about: dict[str, Any] = {}

    @property
    def child_pid(self) -> int | None:
        """Process id of the living child, for those who want to watch it."""
        return self._child.pid if self._child is not None and self._child.poll() is None else None

    def start(self) -> None:
        """Start it and load the networks.

        Raises
        ------
        EngineError
            If that cannot be done; the message says why.
        """
        self._retire()
        if self._closed:
            raise EngineError("reading was ended")
        from raysplay.infer.archive.reader_worker import NOT_HANDED_ON, ONE_THREAD

        # -P: a folder of films must not be able to shadow a module.
        command = [sys.executable, "-P", "-m", "raysplay.infer.archive.reader_worker", self._loader]
        handed_on = {name: value for name, value in os.environ.items() if name not in NOT_HANDED_ON}
        child = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env={**handed_on, **ONE_THREAD}
        )
        self._child = child
        try:
            with self._watched(child, self._settings.start_seconds):
                self._tell(child, self._reading.to_json())
                self.about = self._hear(child)
        except (OSError, ValueError):
            self._retire()
            raise EngineError(
                "the reading process could not be started, or ended while it loaded the networks"
            ) from None
        if "failed" in self.about:
            self._retire()
            raise EngineError(str(self.about["failed"]))

    def read(self, job: Job, person_key: str) -> Answer:
        """What came of a file, whatever goes wrong with it.

        Raises
        ------
        EngineError
            If a process cannot be started, or was ended by :meth:`close`.
        """
        started = time.monotonic()
        for attempt in range(_ATTEMPTS):
            if self._child is None or self._child.poll() is not None:
                self.start()
            try:
                return self._attempt(job, person_key)
            except _Failed as failure:
                if self._closed:
                    raise EngineError("reading was ended") from None
                trouble, digest, before = failure.trouble, failure.digest, failure.before
            if trouble is ReasonKind.BYTES_LATE or attempt + 1 == _ATTEMPTS:
                break
        return troubled(film_name(job.name), trouble, digest, before, time.monotonic() - started)

    def close(self) -> None:
        """End it, also while another thread waits for it."""
        self._closed = True
        self._retire()

    def _attempt(self, job: Job, person_key: str) -> Answer:
        child = self._child
        assert child is not None
        assert child.stdout is not None
        digest, before = "", None
        late, came = _Watch(child), False
        at_address = is_address(job.path)
        if at_address and self._scratch is None:
            self._scratch = tempfile.TemporaryDirectory(prefix="raysplay-")
        scratch = self._scratch.name if at_address and self._scratch is not None else ""
        try:
            with self._watched(child, self._settings.bytes_seconds, late):
                self._tell(
                    child, {"path": str(job.path), "name": job.name, "person_key": person_key, "scratch": scratch}
                )
                heard = self._hear(child)
                digest, came = str(heard["bytes"]), True
            if heard.get("late"):
                raise _Failed(ReasonKind.BYTES_LATE, "", None)
            # Only now: a drive that stalls would keep this process waiting.
            before = None if at_address else stamp(job.path)
            with self._watched(child, self._settings.film_seconds, late):
                length = int(self._hear(child)["answer"])
                if not 0 < length <= _LONGEST_ANSWER:
                    raise ValueError("no answer has that length")
                content = child.stdout.read(length)
                if len(content) != length:
                    raise EOFError
                return Answer.of_bytes(content)
        except (OSError, EOFError, ValueError, KeyError):
            self._retire()
            if not late.rang:
                trouble = ReasonKind.PROCESS_DIED
            else:
                trouble = ReasonKind.TIME_LIMIT if came else ReasonKind.BYTES_LATE
            raise _Failed(trouble, digest, before) from None

    @contextlib.contextmanager
    def _watched(self, child: subprocess.Popen[bytes], seconds: float, watch: _Watch | None = None) -> Any:
        timer = threading.Timer(seconds, (watch or _Watch(child)).ring)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def _tell(self, child: subprocess.Popen[bytes], about: dict[str, Any]) -> None:
        assert child.stdin is not None
        child.stdin.write(json.dumps(about).encode("ascii") + b"\n")
        child.stdin.flush()

    def _hear(self, child: subprocess.Popen[bytes]) -> dict[str, Any]:
        assert child.stdout is not None
        about = json.loads(child.stdout.readline())
        if not isinstance(about, dict):
            raise ValueError("no answer")
        return about

    def _retire(self) -> None:
        child, self._child = self._child, None
        if child is None:
            return
        child.kill()
        child.wait()
        scratch, self._scratch = self._scratch, None
        if scratch is not None:  # what it had fetched, however it ended
            with contextlib.suppress(OSError):
                scratch.cleanup()
        for stream in (child.stdin, child.stdout):
            if stream is not None:
                with contextlib.suppress(OSError, ValueError):
                    stream.close()


class _Watch:
    """Ends a process whose time is over, and tells that it did."""

    def __init__(self, child: subprocess.Popen[bytes]) -> None:
        self._child, self.rang = child, False

    def ring(self) -> None:
        self.rang = True
        self._child.kill()


class _Failed(Exception):  # noqa: N818
    """The process died, or took too long."""

    def __init__(self, trouble: ReasonKind, digest: str, before: Stamp | None) -> None:
        super().__init__(trouble.value)
        self.trouble, self.digest, self.before = trouble, digest, before

"""Reads films on the workers of a Dask scheduler (extra ``cluster``); what a cluster needs stands in ``GUIDE.md``.

Every Dask worker keeps reading processes of its own, so that a film that ends or holds one costs no more than that
process: the same rules, and the same numbers, as on one machine.
"""

from __future__ import annotations

import contextlib
import json
import queue
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from raysplay.infer.archive.job import Answer, EngineError, Job, Reading
from raysplay.infer.archive.reader_key import differences
from raysplay.infer.archive.reader_process import NETWORKS, ReaderProcess
from raysplay.infer.archive.reading import troubled
from raysplay.infer.archive.settings import engine_settings
from raysplay.infer.outputs.names import film_name
from raysplay.infer.reason import ReasonKind

_LEAST_UNDER_WAY = 4
_COUNT_SECONDS = 2.0
"""For an answer of the scheduler that is of a few bytes; a lost one would be waited for as long as a start may take."""


class Cluster:
    """An engine (:class:`~raysplay.infer.archive.job.Engine`) of the workers of a scheduler.

    Parameters
    ----------
    address : str
        Of the scheduler, ``tcp://host:8786``; the path of a file, as ``dask scheduler --scheduler-file`` writes it.
    reading : Reading
    loader : str
        ``module:function`` that loads the networks; must be there on every worker.

    Raises
    ------
    EngineError
        If Dask is missing, the scheduler does not answer or has no workers, or these are not all the same.
    """

    here = False

    def __init__(self, address: str, reading: Reading, loader: str = NETWORKS) -> None:
        try:
            import distributed
        except ImportError as error:
            raise EngineError("Dask is not installed: pip install 'raysplay[cluster]'") from error
        self._distributed = distributed
        self._address, self._settings = address, engine_settings()
        self._asked = json.dumps(reading.to_json()), loader
        self._threads = 0
        try:
            if Path(address).is_file():
                self._client = distributed.Client(scheduler_file=address, timeout=self._settings.connect_seconds)
            else:
                self._client = distributed.Client(address, timeout=self._settings.connect_seconds)
        except (OSError, TimeoutError, ValueError, ImportError) as error:
            raise EngineError(f"{address}: no Dask scheduler answers there") from error
        try:
            self._look_at_workers()
        except BaseException:
            self.close()
            raise

    def read(self, jobs: Iterator[Job], person_key: str) -> Iterator[tuple[Job, Answer]]:
        """Every file, as soon as it is done.

        Raises
        ------
        EngineError
            If the scheduler is gone, or its workers can read no films any more.
        """
        under_way: dict[Any, tuple[Job, int]] = {}
        arrived = self._distributed.as_completed()

        def submit(job: Job, before: int = 0) -> None:
            future = self._client.submit(
                read_on_worker, *self._asked, str(job.path), job.name, person_key, pure=False, key=_key(job, before)
            )
            under_way[future] = job, before
            arrived.add(future)

        try:
            while True:
                while len(under_way) < self._width() and (job := next(jobs, None)) is not None:
                    submit(job)
                if not under_way:
                    return
                future = next(arrived)
                job, before = under_way.pop(future)
                try:
                    answer = Answer.of_bytes(future.result())
                except self._distributed.scheduler.KilledWorker:
                    # Whole machines went away under it: once may be chance.
                    if before == 0:
                        submit(job, 1)
                        continue
                    answer = troubled(film_name(job.name), ReasonKind.PROCESS_DIED, "", None, 0.0)
                finally:
                    future.release()
                yield job, answer
        except EngineError:
            raise
        except Exception as error:
            if _of_dask(error) or self._client.status != "running":
                raise EngineError(f"{self._address}: the Dask scheduler is gone, or ended the run") from error
            raise
        finally:
            with contextlib.suppress(Exception):  # it may be gone
                self._client.cancel(list(under_way), force=True)

    def close(self) -> None:
        """Leave the cluster; its reading processes end."""
        with contextlib.suppress(Exception):  # it may be gone
            if self._client.status == "running":
                self._client.run(end_processes)
        with contextlib.suppress(Exception):
            self._client.close(timeout=5)

    def _width(self) -> int:
        # Workers come and go. Where no count comes the last one stands: of a lost scheduler the films under way tell.
        with contextlib.suppress(TimeoutError):
            self._threads = int(sum(self._client.nthreads(callback_timeout=_COUNT_SECONDS).values()))
        return max(_LEAST_UNDER_WAY, self._threads * self._settings.lookahead)

    def _look_at_workers(self) -> None:
        try:
            self._client.wait_for_workers(1, timeout=self._settings.connect_seconds)
            about: dict[str, dict[str, Any]] = self._client.run(about_worker, *self._asked)
        except TimeoutError:
            raise EngineError(f"{self._address}: the scheduler has no workers") from None
        except EngineError:
            raise
        except Exception as error:
            raise EngineError(
                f"{self._address}: its workers cannot read films ({type(error).__name__}: {error}). Every worker needs "
                "the same Raysplay, weights and protocol file"
            ) from error
        (first, mine), *others = about.items()
        for worker, one in others:
            if other := differences(mine["key"], one["key"]):
                raise EngineError(f"{self._address}: workers {first} and {worker} are not the same: {', '.join(other)}")
        self.digests: dict[str, str] = mine["digests"]
        self.key: dict[str, str] = mine["key"]
        self.machine: dict[str, str | int] = mine["machine"]


class _Processes:
    """Reading processes of this worker, one for each of its threads, kept from film to film."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._idle: dict[tuple[str, str], queue.SimpleQueue[ReaderProcess]] = {}
        self._all: list[ReaderProcess] = []

    @contextlib.contextmanager
    def one(self, reading: str, loader: str) -> Iterator[ReaderProcess]:
        idle = self._idle.setdefault((reading, loader), queue.SimpleQueue())
        try:
            process = idle.get_nowait()
        except queue.Empty:
            process = ReaderProcess(Reading.of_json(json.loads(reading)), loader)
            with self._lock:
                self._all.append(process)
        try:
            yield process
        finally:
            idle.put(process)

    def end(self) -> None:
        with self._lock:
            ended, self._all = self._all, []
            self._idle.clear()
        for process in ended:
            process.close()


_PROCESSES = _Processes()


def about_worker(reading: str, loader: str) -> dict[str, Any]:
    """What a worker's reading process says of itself; runs on the worker."""
    with _PROCESSES.one(reading, loader) as process:
        if process.child_pid is None:
            process.start()
        return process.about


def read_on_worker(reading: str, loader: str, path: str, name: str, person_key: str) -> bytes:
    """Read one film; runs on the worker."""
    with _PROCESSES.one(reading, loader) as process:
        return process.read(Job(b"", Path(path), name), person_key).to_bytes()


def end_processes() -> None:
    """End the reading processes of a worker; runs on the worker."""
    _PROCESSES.end()


def _key(job: Job, before: int) -> str:
    """Of a task; without the film's name, which a dashboard would show to others."""
    import secrets

    return f"film-{secrets.token_hex(8)}-{before}"


def _of_dask(error: BaseException) -> bool:
    return type(error).__module__.startswith(("distributed", "concurrent", "asyncio", "tornado"))

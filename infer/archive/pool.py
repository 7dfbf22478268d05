"""Reads films in several processes of this machine."""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait

from raysplay.infer.archive.job import Answer, Job, Reading
from raysplay.infer.archive.reader_process import NETWORKS, ReaderProcess
from raysplay.infer.archive.settings import EngineSettings, engine_settings


class Pool:
    """An engine (:class:`~raysplay.infer.archive.job.Engine`) of reading processes on this machine.

    One of them is started at once, to see that the networks can be loaded; the others with the first films. A few films
    are under way for each, no more, so that memory does not grow with the archive.

    Parameters
    ----------
    reading : Reading
    workers : int
    loader : str
        ``module:function`` that loads the networks.
    settings : EngineSettings, optional

    Raises
    ------
    EngineError
        If the networks cannot be loaded.
    """

    here = True

    def __init__(
        self, reading: Reading, workers: int, loader: str = NETWORKS, settings: EngineSettings | None = None
    ) -> None:
        self._settings = settings or engine_settings()
        self.processes = [ReaderProcess(reading, loader, self._settings) for _ in range(workers)]
        try:
            self.processes[0].start()
        except BaseException:
            self.close()
            raise
        about = self.processes[0].about
        self.digests: dict[str, str] = about["digests"]
        self.key: dict[str, str] = about["key"]
        self.machine: dict[str, str | int] = about["machine"]

    def read(self, jobs: Iterator[Job], person_key: str) -> Iterator[tuple[Job, Answer]]:
        """Every file, as soon as it is done.

        Raises
        ------
        EngineError
            If a process cannot be started any more.
        """
        idle: queue.SimpleQueue[ReaderProcess] = queue.SimpleQueue()
        for process in self.processes:
            idle.put(process)

        def read(job: Job) -> Answer:
            process = idle.get()
            try:
                return process.read(job, person_key)
            finally:
                idle.put(process)

        width = len(self.processes) * self._settings.lookahead
        with ThreadPoolExecutor(len(self.processes), thread_name_prefix="reads") as threads:
            try:
                yield from in_turn(jobs, lambda job: threads.submit(read, job), width)
            except BaseException:
                # Whoever waits for an answer must not wait for it any longer.
                self.close()
                raise

    def close(self) -> None:
        """End the processes."""
        for process in self.processes:
            process.close()


def in_turn(jobs: Iterator[Job], submit: Callable[[Job], Future[Answer]], width: int) -> Iterator[tuple[Job, Answer]]:
    """Answers as they come, with no more than ``width`` files under way."""
    under_way: dict[Future[Answer], Job] = {}
    try:
        while True:
            while len(under_way) < width and (job := next(jobs, None)) is not None:
                under_way[submit(job)] = job
            if not under_way:
                return
            done, _ = wait(under_way, return_when=FIRST_COMPLETED)
            for future in done:
                yield under_way.pop(future), future.result()
    finally:
        for future in under_way:
            future.cancel()

"""Reads films in this process, one in each thread; the next ones are decoded and pictures are drawn meanwhile."""

from __future__ import annotations

import contextlib
import platform
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.infer.archive.job import Answer, Job
from raysplay.infer.archive.reader_key import reader_key
from raysplay.infer.archive.reading import answer
from raysplay.infer.films.collect import Candidate
from raysplay.infer.films.film_identity import Stamp, stamp
from raysplay.infer.pipeline import FilmPipeline, ReadsFeet, at_once_of

if TYPE_CHECKING:
    from raysplay.infer.films_to_measure import FilmsToMeasure


class InProcess:
    """An engine (:class:`~raysplay.infer.archive.job.Engine`) around networks that are loaded.

    Parameters
    ----------
    feet : ReadsFeet
    films : FilmsToMeasure
        By what they are measured; which ones are told by jobs.
    overlays : bool
    select : bool
        Whether films are left out that the selection does not keep.
    """

    here = True

    def __init__(self, feet: ReadsFeet, films: FilmsToMeasure, *, overlays: bool, select: bool) -> None:
        self._feet, self._protocol, self._limits, self._films = feet, films.protocol, films.limits, films.reading
        self._level = films.limits.interval.level if overlays else None
        self._select = select
        self.digests = dict(feet.digests)
        self.key = reader_key(self.digests, films.protocol_file, select=select)
        self.machine = machine()

    def read(self, jobs: Iterator[Job], person_key: str) -> Iterator[tuple[Job, Answer]]:
        """Every file, in order; pictures of a film are drawn while the networks look at the next ones."""
        # It brings the decoders with it; a wrong call should not have to wait for that.
        from raysplay.infer.films.decode import FilmReaders

        waiting: deque[tuple[Job, Stamp | None]] = deque()
        at_once = at_once_of(self._feet)

        def candidates() -> Iterator[Candidate]:
            for job in jobs:
                waiting.append((job, stamp(job.path)))
                yield Candidate(job.path, job.name)

        limits = self._films.model_copy(update={"person_key": person_key})
        with FilmReaders(at_once, limits) as films, ThreadPoolExecutor(at_once, "answer") as answering:
            pipeline = FilmPipeline(films, self._feet, self._limits, landmark_schema(), self._protocol)
            asked = candidates()
            if self._select:
                from raysplay.infer.selection.select import kept_or_refused

                asked = kept_or_refused(asked, films, self._feet)
            with contextlib.closing(pipeline.read(asked)) as readings:  # type: ignore[type-var]
                answers: deque[tuple[Job, Future[Answer]]] = deque()
                for reading in readings:
                    job, before = waiting.popleft()
                    answers.append((job, answering.submit(answer, reading, job.path, before, level=self._level)))
                    del reading  # it holds a film
                    # As many wait as networks read at once; alone, none: what is told of a film is told at once.
                    while len(answers) >= at_once:
                        job, made = answers.popleft()
                        yield job, made.result()
                while answers:
                    job, made = answers.popleft()
                    yield job, made.result()

    def close(self) -> None:
        """Nothing to end."""


def machine() -> dict[str, str | int]:
    """What the last digits of the networks' numbers depend on."""
    found = np.show_config(mode="dicts").get("SIMD Extensions", {}).get("found", [])
    return {"instructions": found[-1] if found else "", "architecture": platform.machine()}

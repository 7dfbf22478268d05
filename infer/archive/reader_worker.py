"""The reading process of a pool or a cluster: takes paths on its standard input and answers with results.

Started by :class:`raysplay.infer.archive.reader_process.ReaderProcess` only. It loads the networks once and keeps to
one thread, so that a film's numbers do not depend on how many processes read. Requests are lines of JSON; an answer is
a line of JSON once the bytes of the file have come, one with a length, and the answer itself. It ends when its input
does.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from raysplay.configs.errors import RaysplayError
from raysplay.configs.load import landmark_schema
from raysplay.infer.archive.job import Answer, Reading
from raysplay.infer.archive.reading import answer
from raysplay.infer.child_process import ChildProcess
from raysplay.infer.films.address import StoreError, fetched
from raysplay.infer.films.decoder_process import one_ahead
from raysplay.infer.films.film_identity import content_digest, stamp
from raysplay.infer.films.settings import film_settings
from raysplay.infer.reason import ReasonKind

ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
NOT_HANDED_ON = frozenset({"MALLOC_TRIM_THRESHOLD_"})
"""Dask sets it for its workers (``distributed.nanny.pre-spawn-environ``). A film takes and gives back tens of megabytes
a hundred times; handed to the system each time, they cost a quarter of a second of page faults."""


def main() -> None:
    """Serve until the input ends. Argument: ``module:function`` that loads the networks, as ``measuring.networks``."""
    parent = ChildProcess()
    with one_ahead():
        _serve(parent)


def _serve(parent: ChildProcess) -> None:
    try:
        films = _Films(sys.argv[1], Reading.of_json(json.loads(parent.next_request())))
    except RaysplayError as error:
        parent.say({"failed": str(error)})
        return
    except Exception as error:
        parent.say({"failed": f"the reading process failed ({type(error).__name__})"})
        return
    parent.say(films.about())
    parent.hush()
    with contextlib.closing(films):
        for line in parent.requests:
            request = json.loads(line)
            path, problem, file = Path(request["path"]), None, None
            started = time.perf_counter()
            if request["scratch"]:
                file = Path(request["scratch"]) / "film"
                try:
                    problem = fetched(path, file, film_settings())
                except StoreError:
                    file.unlink(missing_ok=True)
                    parent.say({"bytes": "", "late": True})
                    continue
                path = file
            before = stamp(path)
            digest = content_digest(path)
            parent.say({"bytes": digest})
            made = films.read(path, request["name"], request["person_key"], started, before, problem)
            if file is not None:
                file.unlink(missing_ok=True)
            if digest and made.digest and digest != made.digest:
                made = made.unmarked(ReasonKind.CHANGED)
            content = made.to_bytes()
            parent.say({"answer": len(content)}, content)


class _Films:
    """Networks, decoder and pipeline of this process."""

    def __init__(self, loader: str, reading: Reading) -> None:
        from raysplay.infer.decide.settings import decision_settings
        from raysplay.infer.user_protocol import user_protocol

        module, function = loader.split(":")
        self._reading, self._limits = reading, decision_settings()
        self._protocol = user_protocol(reading.protocol)
        if reading.accelerator:
            from raysplay.infer.accelerator.from_afar import FromAfar
            from raysplay.infer.foot_reader import FootReader

            weights = FootReader.weights_by_landmarks(reading.landmark_weights)
            self._feet = FootReader(*weights, accelerator=FromAfar(reading.accelerator))
        else:
            self._feet = getattr(importlib.import_module(module), function)(1, reading.landmark_weights)
        self._level = self._limits.interval.level if reading.overlays else None
        self._opened = contextlib.ExitStack()
        self._person_key = ""
        self._pipeline: Any = None
        self._reader: Any = None

    def about(self) -> dict[str, Any]:
        from raysplay.infer.archive.in_process import machine
        from raysplay.infer.archive.reader_key import reader_key

        digests = dict(self._feet.digests)
        accelerator = getattr(self._feet, "accelerator", None)
        key = reader_key(digests, self._reading.protocol, select=self._reading.select, accelerator=accelerator)
        return {"digests": digests, "key": key, "machine": machine()}

    def read(self, path: Path, name: str, person_key: str, started: float, before: Any, problem: Any) -> Answer:
        from raysplay.infer.films.collect import Candidate

        pipeline = self._ready(person_key)
        candidates: Iterable[Candidate] = [Candidate(path, name, problem)]
        if self._reading.select and problem is None:
            from raysplay.infer.selection.select import kept_or_refused

            candidates = kept_or_refused(candidates, self._reader, self._feet)
        (reading,) = pipeline.read(candidates)
        return answer(reading, path, before, level=self._level, seconds=time.perf_counter() - started)

    def close(self) -> None:
        self._opened.close()

    def _ready(self, person_key: str) -> Any:
        from raysplay.infer.films.decode import FilmReader
        from raysplay.infer.pipeline import FilmPipeline

        if self._pipeline is None or person_key != self._person_key:
            self._opened.close()
            limits = film_settings().model_copy(update={"person_key": person_key})
            self._reader = self._opened.enter_context(FilmReader(limits))
            self._pipeline = FilmPipeline(self._reader, self._feet, self._limits, landmark_schema(), self._protocol)
            self._person_key = person_key
        return self._pipeline


if __name__ == "__main__":
    main()

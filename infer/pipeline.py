"""Film by film: read, find the feet, place landmarks, measure, decide."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

import numpy as np

from raysplay.configs.proof import proofs
from raysplay.configs.protocol import ReadingProtocol
from raysplay.infer.decide.case import FootCase
from raysplay.infer.decide.config import DecisionLimits
from raysplay.infer.decide.decision import decide, failed, no_foot, not_read, refusal
from raysplay.infer.decide.doubtful_landmarks import doubtful
from raysplay.infer.decide.needed import reported, usable_landmarks
from raysplay.infer.decide.withheld import given
from raysplay.infer.films.collect import Candidate
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.polarity import UNCLEAR, negative
from raysplay.infer.outputs.names import film_name
from raysplay.infer.records import Decision, FilmRecord, FootLandmarks, FootRecord, FoundFoot, Measurement, Outcome
from raysplay.measure import LandmarkSchema, measure_feet, to_foot_frame
from raysplay.measure.definition import MILLIMETRE

_AHEAD = 2
"""Films decoded ahead of the network; bounds memory."""


class ReadsFilms(Protocol):
    """What opens a file."""

    def read(self, path: Path) -> Film:
        """The film in ``path``; FilmRejected if it yields none."""


class ReadsFeet(Protocol):
    """What looks at a film: the network, or whatever stands in for it."""

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 of every weights file by name."""

    def find(self, film: Film) -> list[FoundFoot]:
        """Every foot on the film."""

    def landmarks(self, film: Film, foot: FoundFoot) -> FootLandmarks:
        """Landmarks of one found foot."""


@dataclass(frozen=True)
class FilmReading:
    """One finished film: its record, its pixels where there are any, the doubtful points of every foot."""

    record: FilmRecord
    film: Film | None
    doubtful: tuple[tuple[int, ...], ...] = ()


def read_archive(
    candidates: Iterable[Candidate],
    films: ReadsFilms,
    feet: ReadsFeet,
    limits: DecisionLimits,
    schema: LandmarkSchema,
    protocol: ReadingProtocol,
) -> Iterator[FilmReading]:
    """Read every candidate by the protocol, in the order given, one result each.

    The next films are decoded in the background while the network looks at the present one. Nothing that goes
    wrong in one film ends the run: it becomes that film's reason.
    """
    queue = iter(candidates)
    proven = proofs().proven(protocol.reported_measures(), feet.digests)
    with ThreadPoolExecutor(max_workers=1, thread_name_prefix="decode") as background:
        waiting: deque[tuple[Candidate, Future[_Opened]]] = deque()
        try:
            while True:
                while len(waiting) < _AHEAD and (candidate := next(queue, None)) is not None:
                    waiting.append((candidate, background.submit(_open, candidate, films)))
                if not waiting:
                    return
                candidate, opened = waiting.popleft()
                yield _read(film_name(candidate.name), opened.result(), feet, limits, schema, protocol, proven)
        finally:
            for _, opened in waiting:
                opened.cancel()


@dataclass(frozen=True)
class _Opened:
    film: Film | None
    decision: Decision | None
    seconds: float


def _open(candidate: Candidate, films: ReadsFilms) -> _Opened:
    started = time.perf_counter()
    film, decision = None, None
    try:
        if candidate.problem is not None:
            decision = not_read(candidate.problem)
        else:
            film = films.read(candidate.path)
    except FilmRejected as rejected:
        decision = not_read(str(rejected))
    except Exception as error:
        decision = failed(error)
    return _Opened(film, decision, time.perf_counter() - started)


def _read(
    name: str,
    opened: _Opened,
    feet: ReadsFeet,
    limits: DecisionLimits,
    schema: LandmarkSchema,
    protocol: ReadingProtocol,
    proven: frozenset[str],
) -> FilmReading:
    seconds = {"decode": opened.seconds}
    if opened.film is None:
        return FilmReading(FilmRecord(name, (), opened.decision, seconds=seconds), None)
    try:
        seen = _look(opened.film, feet, limits, schema, seconds)
        if opened.film.polarity_doubtful:
            turned = _look(negative(opened.film), feet, limits, schema, seconds)
            seen = _likelier(seen, turned, limits.polarity.clear_from)
        records, marked = _read_feet(seen, limits, schema, protocol, proven, seconds)
    except Exception as error:
        record = FilmRecord(name, (), failed(error), _texts(opened.film), seconds)
        return FilmReading(record, opened.film)
    decision = None if records else no_foot()
    remarks = (*_texts(seen.film), *_on_lengths(seen.film, protocol))
    return FilmReading(FilmRecord(name, records, decision, remarks, seconds), seen.film, marked)


def _texts(film: Film) -> tuple[str, ...]:
    return tuple(remark.text for remark in film.remarks)


def _on_lengths(film: Film, protocol: ReadingProtocol) -> tuple[str, ...]:
    """What the film's millimetres are, where the protocol reports any."""
    if all(measure.unit != MILLIMETRE for measure in protocol.reported_measures()):
        return ()
    return (f"lengths: {protocol.spacing[film.spacing.kind.value].statement}",)


@dataclass(frozen=True)
class _Seen:
    """What the networks saw on a film: every foot with its landmarks, none placed where it was refused before."""

    film: Film
    located: list[FootLandmarks]
    refused: list[Decision | None]

    def strangeness(self) -> float:
        """Mean over the feet that were not refused; infinite if there is none."""
        values = [one.strangeness for one, decision in zip(self.located, self.refused, strict=True) if decision is None]
        return float(np.mean(values)) if values else float("inf")


def _look(
    film: Film, feet: ReadsFeet, limits: DecisionLimits, schema: LandmarkSchema, seconds: dict[str, float]
) -> _Seen:
    clock = _Clock(seconds)
    found = feet.find(film)
    clock.lap("find")
    refused = [refusal(foot, limits) for foot in found]
    located = [
        _nowhere(foot, len(schema)) if refused[i] else feet.landmarks(film, foot) for i, foot in enumerate(found)
    ]
    clock.lap("landmarks")
    return _Seen(film, located, refused)


def _likelier(as_it_is: _Seen, turned: _Seen, clear_from: float) -> _Seen:
    """Of a film and its negative the one whose feet are more like those the network knows; the film if equal.

    It is marked where the other's feet are not ``clear_from`` times as strange.
    """
    best, other = sorted((as_it_is, turned), key=_Seen.strangeness)
    if other.strangeness() < clear_from * best.strangeness():
        best = replace(best, film=replace(best.film, remarks=(*best.film.remarks, UNCLEAR)))
    return best


def _read_feet(
    seen: _Seen,
    limits: DecisionLimits,
    schema: LandmarkSchema,
    protocol: ReadingProtocol,
    proven: frozenset[str],
    seconds: dict[str, float],
) -> tuple[tuple[FootRecord, ...], tuple[tuple[int, ...], ...]]:
    clock = _Clock(seconds)
    film, located = seen.film, seen.located
    records: list[FootRecord] = []
    marked: list[tuple[int, ...]] = []
    for i, landmarks in enumerate(located):
        decision = seen.refused[i]
        if decision is not None:
            records.append(FootRecord(landmarks, (), decision))
            marked.append(())
            continue
        measurements = _measure(film, landmarks, limits, schema, protocol, proven)
        companions = tuple(other.foot for k, other in enumerate(located) if k != i)
        case = FootCase(film, landmarks, measurements, schema, companions, protocol)
        decision = decide(case, limits)
        if decision.outcome is Outcome.REFUSED:
            records.append(FootRecord(_nowhere(landmarks.foot, len(schema)), (), decision))
            marked.append(())
            continue
        records.append(FootRecord(landmarks, given(case, limits), decision))
        marked.append(tuple(doubtful(case, limits.landmarks, reported(measurements))))
    clock.lap("measure")
    return tuple(records), tuple(marked)


def _measure(
    film: Film,
    landmarks: FootLandmarks,
    limits: DecisionLimits,
    schema: LandmarkSchema,
    protocol: ReadingProtocol,
    proven: frozenset[str],
) -> tuple[Measurement, ...]:
    spacing = film.spacing
    points, covariance = to_foot_frame(
        landmarks.points[None],
        landmarks.covariance[None],
        [landmarks.foot.side],
        row_mm=spacing.row_mm,
        column_mm=spacing.column_mm,
        aspect=spacing.aspect,
    )
    assert covariance is not None
    reported = protocol.reported_measures()
    allowed = protocol.spacing_policy()[spacing.kind.value].millimetres
    measured = measure_feet(
        points,
        covariance,
        schema,
        visible=usable_landmarks(film, landmarks, limits)[None],
        level=limits.interval.level,
        inflation=limits.interval.inflation,
        shape_sd=limits.interval.shape_sd,
        measures=reported,
        millimetres=allowed and spacing.column_mm is not None,
    )
    return tuple(
        Measurement(
            measure.name,
            float(measured[measure.name].value[0]),
            float(measured[measure.name].low[0]),
            float(measured[measure.name].high[0]),
            measure.unit,
            measure.construction,
            measure.name in proven,
        )
        for measure in reported
    )


def _nowhere(foot: FoundFoot, landmarks: int) -> FootLandmarks:
    """Landmarks of a foot that is not measured: none of them placed."""
    return FootLandmarks(foot, np.full((landmarks, 2), np.nan), np.full((landmarks, 2, 2), np.nan), np.zeros(landmarks))


class _Clock:
    def __init__(self, seconds: dict[str, float]) -> None:
        self._seconds = seconds
        self._last = time.perf_counter()

    def lap(self, stage: str) -> None:
        now = time.perf_counter()
        self._seconds[stage] = self._seconds.get(stage, 0.0) + now - self._last
        self._last = now

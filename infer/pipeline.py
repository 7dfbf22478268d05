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
import numpy.typing as npt

from raysplay.configs.proof import proofs
from raysplay.configs.protocol import ReadingProtocol
from raysplay.infer.accelerator.accelerator_error import AcceleratorError
from raysplay.infer.beam.beam_angle import angle_model, beam_angle, with_remark
from raysplay.infer.decide.case import FootCase
from raysplay.infer.decide.decision import decide, failed, no_foot, not_read, refusal
from raysplay.infer.decide.doubtful_landmarks import doubtful
from raysplay.infer.decide.needed import reported, usable_landmarks
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.decide.withheld import given
from raysplay.infer.films.collect import Candidate
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.film_words import with_words
from raysplay.infer.films.polarity import UNCLEAR, negative
from raysplay.infer.films.read_line import character_network
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.films.side_letters import SideLetter, letter_network, remark_on, side_letters
from raysplay.infer.outputs.names import film_name
from raysplay.infer.records import (
    BeamAngle,
    Decision,
    FilmRecord,
    FloatArray,
    FootLandmarks,
    FootRecord,
    FoundFoot,
    Measurement,
    Outcome,
)
from raysplay.infer.spending import Spending, spending_of_a_film, stage
from raysplay.measure import LandmarkSchema, measure_feet, to_foot_frame
from raysplay.measure.definition import MILLIMETRE

_AHEAD = 2
"""Films under way beyond those that the networks look at, decoded or being decoded; bounds memory."""


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


def at_once_of(reader: object) -> int:
    """How many threads may use what reads films or feet; 1 where it does not say."""
    return max(1, int(getattr(reader, "at_once", 1)))


@dataclass(frozen=True)
class FilmReading:
    """One finished film: its record, its pixels where there are any, the doubtful points of every foot."""

    record: FilmRecord
    film: Film | None
    doubtful: tuple[tuple[int, ...], ...] = ()


class FilmPipeline:
    """The way of a film, for a whole archive.

    Parameters
    ----------
    films : ReadsFilms
    feet : ReadsFeet
    limits : DecisionLimits
    schema : LandmarkSchema
    protocol : ReadingProtocol
        What is measured, by which construction.

    Raises
    ------
    WeightsError
        If the weights of the networks of side letters or of characters, or those of the beam's angle, are missing or
        damaged.
    """

    def __init__(
        self,
        films: ReadsFilms,
        feet: ReadsFeet,
        limits: DecisionLimits,
        schema: LandmarkSchema,
        protocol: ReadingProtocol,
    ) -> None:
        self._films, self._feet = films, feet
        self._limits, self._schema, self._protocol = limits, schema, protocol
        self._reported = protocol.reported_measures()
        for network in (letter_network, character_network, angle_model):
            network()  # a missing or damaged file ends the run before any film is read
        self._proven = proofs().proven(self._reported, feet.digests)

    def read(self, candidates: Iterable[Candidate]) -> Iterator[FilmReading]:
        """Read every candidate, in the order given, one result each.

        The next films are decoded in the background while the networks look at the present ones, each in a thread of
        its own as far as networks and readers allow. Nothing that goes wrong in one film ends the run: it becomes that
        film's reason.
        """
        queue = iter(candidates)
        at_once, decoders = at_once_of(self._feet), at_once_of(self._films)
        with (
            ThreadPoolExecutor(max_workers=decoders, thread_name_prefix="decode") as decoding,
            ThreadPoolExecutor(max_workers=at_once, thread_name_prefix="read") as reading,
        ):
            waiting: deque[tuple[str, Future[_Opened], Future[FilmReading] | None]] = deque()
            try:
                while True:
                    while len(waiting) < at_once - 1 + _AHEAD and (candidate := next(queue, None)) is not None:
                        name = film_name(candidate.name)
                        opened = decoding.submit(_open, candidate, self._films)
                        # Alone, it is read in the thread that asks: what stands in for networks may want no other.
                        read = reading.submit(self._read, name, opened) if at_once > 1 else None
                        waiting.append((name, opened, read))
                    if not waiting:
                        return
                    name, opened, read = waiting.popleft()
                    yield self._read(name, opened) if read is None else read.result()
                    del opened, read  # they hold a film
            finally:
                for _, opened, read in waiting:
                    opened.cancel()
                    if read is not None:
                        read.cancel()

    def _read(self, name: str, opening: Future[_Opened]) -> FilmReading:
        spending = Spending()
        with spending_of_a_film(spending):
            asked = time.perf_counter()
            opened = opening.result()
            # Decoding counts once: what is waited for is a decoder that has other films in hand.
            spending.seconds["waiting"] = max(0.0, opened.began - asked)
            spending.seconds["decode"] = opened.seconds
            reading = self._reading(name, opened)
        record = replace(reading.record, seconds=spending.seconds, operations=spending.operations)
        return replace(reading, record=record)

    def _reading(self, name: str, opened: _Opened) -> FilmReading:
        if opened.film is None:
            return FilmReading(FilmRecord(name, (), opened.decision), None)
        try:
            with stage("measure"):
                film = with_words(opened.film)
            seen = self._look(film)
            if film.polarity_doubtful:
                turned = self._look(negative(film))
                seen = _likelier(seen, turned, self._limits.polarity.clear_from)
            with stage("measure"):
                letters = _letters(seen)
                records, marked = self._read_feet(seen, letters)
        except AcceleratorError:
            raise  # of no film: the run ends
        except Exception as error:
            return FilmReading(FilmRecord(name, (), failed(error), opened.film.remarks), opened.film)
        decision = None if records else no_foot()
        remarks = (*seen.film.remarks, *map(remark_on, letters), *self._on_lengths(seen.film))
        return FilmReading(FilmRecord(name, records, decision, remarks), seen.film, marked)

    def _on_lengths(self, film: Film) -> tuple[Remark, ...]:
        """What the film's millimetres are, where the protocol reports any."""
        if all(measure.unit != MILLIMETRE for measure in self._reported):
            return ()
        statement = self._protocol.spacing[film.spacing.kind.value].statement
        return (Remark(RemarkKind.LENGTHS, f"lengths: {statement}"),)

    def _look(self, film: Film) -> _Seen:
        with stage("find"):
            found = self._feet.find(film)
        refused = [refusal(foot, self._limits) for foot in found]
        with stage("landmarks"):
            located = [
                _nowhere(foot, len(self._schema)) if refused[i] else self._feet.landmarks(film, foot)
                for i, foot in enumerate(found)
            ]
        return _Seen(film, located, refused)

    def _read_feet(
        self, seen: _Seen, letters: tuple[SideLetter, ...]
    ) -> tuple[tuple[FootRecord, ...], tuple[tuple[int, ...], ...]]:
        film, located = seen.film, seen.located
        records: list[FootRecord] = []
        marked: list[tuple[int, ...]] = []
        for i, landmarks in enumerate(located):
            decision = seen.refused[i]
            if decision is not None:
                records.append(FootRecord(landmarks, (), decision))
                marked.append(())
                continue
            placed = self._placed(film, landmarks)
            measurements = self._measure(film, placed)
            companions = tuple(other.foot for k, other in enumerate(located) if k != i)
            beam = placed.beam()
            case = FootCase(film, landmarks, measurements, self._schema, companions, self._protocol, letters, beam)
            decision = decide(case, self._limits)
            if decision.outcome is Outcome.REFUSED:
                records.append(FootRecord(_nowhere(landmarks.foot, len(self._schema)), (), decision))
                marked.append(())
                continue
            beam = beam if decision.outcome is Outcome.ACCEPTED else None
            records.append(FootRecord(landmarks, given(case, self._limits), with_remark(decision, beam), beam))
            marked.append(tuple(doubtful(case, self._limits.landmarks, reported(measurements))))
        return tuple(records), tuple(marked)

    def _placed(self, film: Film, landmarks: FootLandmarks) -> _Placed:
        return _Placed(*_in_foot_frame(film, landmarks), usable_landmarks(film, landmarks, self._limits))

    def _measure(self, film: Film, placed: _Placed) -> tuple[Measurement, ...]:
        spacing, limits = film.spacing, self._limits
        allowed = self._protocol.spacing_policy()[spacing.kind.value].millimetres
        measured = measure_feet(
            placed.points,
            placed.covariance,
            self._schema,
            visible=placed.usable[None],
            level=limits.interval.level,
            inflation=limits.interval.inflation,
            shape_sd=limits.interval.shape_sd,
            measures=self._reported,
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
                measure.name in self._proven,
            )
            for measure in self._reported
        )


@dataclass(frozen=True)
class _Placed:
    """Landmarks (1, L, 2) and covariances (1, L, 2, 2) in the right-foot frame; which a measure may stand on (L,)."""

    points: FloatArray
    covariance: FloatArray
    usable: npt.NDArray[np.bool_]

    def beam(self) -> BeamAngle | None:
        return beam_angle(np.where(self.usable[:, None], self.points[0], np.nan), self.covariance[0])


@dataclass(frozen=True)
class _Opened:
    film: Film | None
    decision: Decision | None
    began: float
    seconds: float


def _open(candidate: Candidate, films: ReadsFilms) -> _Opened:
    began = time.perf_counter()
    film, decision = None, None
    try:
        if candidate.problem is not None:
            decision = not_read(candidate.problem)
        else:
            film = films.read(candidate.path)
    except FilmRejected as rejected:
        decision = not_read(rejected)
    except Exception as error:
        decision = failed(error)
    return _Opened(film, decision, began, time.perf_counter() - began)


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


def _likelier(as_it_is: _Seen, turned: _Seen, clear_from: float) -> _Seen:
    """Of a film and its negative the one whose feet are more like those the network knows; the film if equal.

    It is marked where the other's feet are not ``clear_from`` times as strange.
    """
    best, other = sorted((as_it_is, turned), key=_Seen.strangeness)
    if other.strangeness() < clear_from * best.strangeness():
        best = replace(best, film=replace(best.film, remarks=(*best.film.remarks, UNCLEAR)))
    return best


def _letters(seen: _Seen) -> tuple[SideLetter, ...]:
    """Side letters of a film on which there is a foot to decide over."""
    return () if all(seen.refused) else tuple(side_letters(seen.film.pixels))


def _in_foot_frame(film: Film, landmarks: FootLandmarks) -> tuple[FloatArray, FloatArray]:
    """Landmarks (1, L, 2) and their covariances (1, L, 2, 2) in the right-foot frame, in mm where they are known."""
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
    return points, covariance


def _nowhere(foot: FoundFoot, landmarks: int) -> FootLandmarks:
    """Landmarks of a foot that is not measured: none of them placed."""
    return FootLandmarks(foot, np.full((landmarks, 2), np.nan), np.full((landmarks, 2, 2), np.nan), np.zeros(landmarks))

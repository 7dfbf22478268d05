"""A finished run as an evaluation sees it: feet by film."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from raysplay.infer.outputs import finished_run
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome


@dataclass(frozen=True)
class MeasuredFoot:
    """One foot's row of ``feet.csv`` with its landmarks.

    ``values`` maps a measure's name to value, low and high; a withheld or refused measure is missing.
    """

    side: str
    decision: str
    reasons: tuple[Reason, ...]
    values: Mapping[str, tuple[float, float, float]]
    landmarks: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def centre(self) -> tuple[float, float] | None:
        """Middle of the box round the landmarks, pixels of the film."""
        if not self.landmarks:
            return None
        x, y = zip(*self.landmarks.values(), strict=True)
        return (min(x) + max(x)) / 2.0, (min(y) + max(y)) / 2.0


@dataclass(frozen=True)
class MeasuredArchive:
    """All films of a run: feet by film (empty where none was found), films a minute, and the run's protocol.

    ``constructions`` holds the construction of every reported measure by name, ``refused_films`` the reasons of films
    without a foot, ``digests`` the SHA-256 of weights and configurations by file name, ``folder`` where the films lay.
    """

    films: Mapping[str, tuple[MeasuredFoot, ...]]
    films_per_minute: float | None
    constructions: Mapping[str, str]
    refused_films: Mapping[str, tuple[Reason, ...]] = field(default_factory=dict)
    digests: Mapping[str, str] = field(default_factory=dict)
    folder: str | None = None

    def was_read(self, film: str) -> bool:
        """Whether the file gave a film to look for feet on."""
        return not any(reason.kind.gave_no_film for reason in self.refused_films.get(film, ()))

    def is_copy(self, film: str) -> bool:
        """Whether the file has the bytes of another one, which stands for both."""
        return any(reason.kind is ReasonKind.DUPLICATE for reason in self.refused_films.get(film, ()))


def most_accepted(decisions: Iterable[str]) -> str:
    """The outcome nearest to accepted; refused for none."""
    order = [outcome.value for outcome in (Outcome.ACCEPTED, Outcome.REVIEW, Outcome.REFUSED)]
    return min(decisions, key=order.index, default=Outcome.REFUSED.value)


def read_run(folder: Path) -> MeasuredArchive:
    """The feet of a run with their landmarks, as :func:`raysplay.infer.outputs.finished_run.read_run` takes it.

    Raises
    ------
    RunError
        If there is none, it has another format, is not what a run writes, or was changed after the run.
    """
    run = finished_run.read_run(folder)
    names, outcomes, sides = (column.to_pylist() for column in (run.films, run.decisions, run.sides))
    points = _landmarks(run)
    films: dict[str, list[MeasuredFoot]] = {}
    refused: dict[str, tuple[Reason, ...]] = {}
    for number, film in enumerate(names):
        feet = films.setdefault(film, [])
        if not sides[number]:
            refused[film] = run.reasons[number]
            continue
        values = {
            measure.name: (float(value), float(low), float(high))
            for measure, (value, low, high) in zip(run.measures, run.values[number], strict=True)
            if value == value
        }
        landmarks = points.get((film, len(feet)), {})
        feet.append(MeasuredFoot(sides[number], outcomes[number], run.reasons[number], values, landmarks))
    recorded = run.recorded
    return MeasuredArchive(
        {film: tuple(feet) for film, feet in films.items()},
        recorded.films_per_minute,
        {measure.name: measure.construction for measure in run.measures},
        refused,
        {**recorded.digests.weights, **recorded.digests.configs},
        recorded.films,
    )


def _landmarks(run: FinishedRun) -> dict[tuple[str, int], dict[str, tuple[float, float]]]:
    points: dict[tuple[str, int], dict[str, tuple[float, float]]] = {}
    for group in run.landmark_groups():
        columns = (group[name].to_pylist() for name in ("film", "foot_index", "landmark", "x", "y"))
        for film, index, code, x, y in zip(*columns, strict=True):
            points.setdefault((film, index), {})[code] = (x, y)
    return points

"""What is proven of each measure (``configs/proof.yaml``): its error on bones that no generator drew."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Annotated

from pydantic import Field, model_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.measure.definition import Measure
from raysplay.measure.evidence import Evidence
from raysplay.measure.registry import by_name

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0)]


class ProofBounds(Config):
    """What a measure's error on foreign bones must keep to; ``mae`` and ``bias`` in its unit."""

    mae: Positive
    bias: Positive
    coverage: Share
    people: int = Field(ge=1)
    basis: str
    tag: Evidence


class Trial(Config):
    """Figures of one measure on films of bones that no generator drew.

    Attributes
    ----------
    mae, bias : float
        Mean absolute and mean error in the measure's unit; ``bias`` is None where it was not recorded.
    coverage : float
        Share of true values inside the interval.
    films, people : int
    bones : str
        Whose bones, and how the figures can be had again.
    reader : str
        Whose figures: a reader of ``reading.yaml``.
    """

    measure: str
    construction: str
    mae: Annotated[float, Field(ge=0.0)]
    bias: float | None
    coverage: Share
    films: int = Field(ge=1)
    people: int = Field(ge=1)
    bones: str
    reader: str = "careful"
    tag: Evidence

    @model_validator(mode="after")
    def _buildable(self) -> Trial:
        try:
            by_name(self.measure, self.construction)
        except (KeyError, ValueError) as error:
            raise ValueError(str(error.args[0])) from error
        return self


@dataclass(frozen=True)
class ForeignError:
    """Error of a measure over all its trials, every person counted alike.

    Attributes
    ----------
    mae, bias : float
        Mean absolute and mean error in the measure's unit; ``bias`` is infinite where none was recorded.
    absolute_bias : float
        The same of each person's bias without its sign: those of two people that go opposite ways do not cancel.
    coverage : float
        Share of true values inside the interval.
    people : int
    """

    mae: float
    bias: float
    absolute_bias: float
    coverage: float
    people: int


class Proofs(Config):
    """All trials, what they must show, and by reader the weights that they were made with (file name to SHA-256)."""

    weights: dict[str, dict[str, str]]
    bounds: dict[str, ProofBounds]
    trials: tuple[Trial, ...]

    @model_validator(mode="after")
    def _judged(self) -> Proofs:
        without = sorted({by_name(one.measure).unit for one in self.trials} - set(self.bounds))
        if without:
            raise ValueError(f"no bounds for the unit {', '.join(without)}")
        strange = sorted({one.reader for one in self.trials} - set(self.weights))
        if strange:
            raise ValueError(f"no weights of the reader {', '.join(strange)}")
        return self

    def of(self, measure: Measure, reader: str = "careful") -> tuple[Trial, ...]:
        """Trials of a measure as it is built, with a reader."""
        built = (measure.name, measure.construction, reader)
        return tuple(one for one in self.trials if (one.measure, one.construction, one.reader) == built)

    def error(self, measure: Measure, reader: str | None = "careful") -> ForeignError | None:
        """What a reader's trials of a measure show together; None without any, and for a reader of other weights."""
        trials = () if reader is None else self.of(measure, reader)
        if not trials:
            return None
        biases = [(one.bias, one.people) for one in trials if one.bias is not None]
        return ForeignError(
            _by_people([(one.mae, one.people) for one in trials]),
            _by_people(biases),
            _by_people([(abs(bias), people) for bias, people in biases]),
            _by_people([(one.coverage, one.people) for one in trials]),
            sum(one.people for one in trials),
        )

    def stands(self, measure: Measure, reader: str = "careful") -> bool:
        """Whether the trials of a measure, every person counted alike, keep to the bounds; False without any."""
        error = self.error(measure, reader)
        if error is None:
            return False
        bounds = self.bounds[measure.unit]
        return (
            error.people >= bounds.people
            and error.mae <= bounds.mae
            and error.absolute_bias <= bounds.bias
            and error.coverage >= bounds.coverage
        )

    def reader_of(self, weights: Mapping[str, str]) -> str | None:
        """Whose trials hold for these weights (file name to SHA-256); None where nobody's do."""
        for reader, files in self.weights.items():
            if all(weights.get(name) == known for name, known in files.items()):
                return reader
        return None

    def proven(self, measures: Iterable[Measure], weights: Mapping[str, str]) -> frozenset[str]:
        """Names of the measures that are proven when they are read with these weights (file name to SHA-256)."""
        reader = self.reader_of(weights)
        return frozenset(measure.name for measure in measures if reader is not None and self.stands(measure, reader))


def _by_people(figures: list[tuple[float, int]]) -> float:
    """Mean in which every person counts alike; infinite without a figure, so that it keeps to no bound."""
    people = sum(count for _, count in figures)
    return sum(figure * count for figure, count in figures) / people if people else math.inf


def read_proofs(path: Path | str) -> Proofs:
    """Proofs of a file.

    Raises
    ------
    ConfigError
        If the file does not fit or names a measure or construction that there is not.
    """
    return load(Proofs, path)


@lru_cache(maxsize=1)
def proofs() -> Proofs:
    """The proofs shipped with the package."""
    return read_proofs(shipped("proof.yaml"))

"""Settings of an evaluation (``configs/evaluate.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import Annotated

from pydantic import AfterValidator, Field, field_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.measure import MEASURES, by_name


class BootstrapSettings(Config):
    """Resamples of films behind an interval of a mean, and the seed that repeats them."""

    samples: int = Field(ge=100)
    seed: int = Field(ge=0)


def _rises(ends: tuple[float, float]) -> tuple[float, float]:
    if ends[0] >= ends[1]:
        raise ValueError("ends must rise")
    return ends


Range = Annotated[tuple[float, float], AfterValidator(_rises)]


class SignSettings(Config):
    """Values from which a sign tells anything, feet from which signs are compared, and the share of them above which
    opposite signs are spoken of."""

    least_degrees: float = Field(gt=0.0)
    fewest_feet: int = Field(ge=1)
    share: float = Field(gt=0.0, le=1.0)


class EvaluationSettings(Config):
    """How a run is compared.

    Attributes
    ----------
    within : tuple of float
        Limits of small errors, degrees.
    hva_bands : tuple of float
        Edges of bands of true HVA, degrees.
    few_feet : int
        Below so many feet figures are called shaky.
    possible : dict of str to (float, float)
        Values that truth can have, by unit or measure.
    signs : SignSettings
    far_apart_degrees : float
        Feet are named whose reading differs so much.
    confidence : float
        Of the intervals of means and shares.
    bootstrap : BootstrapSettings
    """

    within: tuple[float, ...]
    hva_bands: tuple[float, ...]
    few_feet: int = Field(ge=1)
    possible: dict[str, Range]
    signs: SignSettings
    far_apart_degrees: float = Field(gt=0.0)
    confidence: float = Field(gt=0.0, lt=1.0)
    bootstrap: BootstrapSettings

    @field_validator("hva_bands")
    @classmethod
    def _rising(cls, edges: tuple[float, ...]) -> tuple[float, ...]:
        if not edges or any(a >= b for a, b in pairwise(edges)):
            raise ValueError("edges must rise")
        return edges

    @field_validator("possible")
    @classmethod
    def _every_unit(cls, ranges: dict[str, Range]) -> dict[str, Range]:
        units = {measure.unit for measure in MEASURES}
        if unknown := ranges.keys() - units - {measure.name for measure in MEASURES}:
            raise ValueError(f"no unit or measure: {', '.join(sorted(unknown))}")
        if missing := units - ranges.keys():
            raise ValueError(f"no range for {', '.join(sorted(missing))}")
        return ranges

    def possible_range(self, measure: str) -> tuple[float, float]:
        """Least and greatest value that a measure can have, in its unit."""
        return self.possible.get(measure, self.possible[by_name(measure).unit])


@lru_cache(maxsize=1)
def evaluation_settings() -> EvaluationSettings:
    """The settings shipped with the package."""
    return load(EvaluationSettings, shipped("evaluate.yaml"))

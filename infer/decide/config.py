"""Thresholds of the decision (``configs/decision.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.measure import MEASURES

Probability = Annotated[float, Field(ge=0.0, le=1.0)]


def _rising(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] >= pair[1]:
        raise ValueError("lower bound must lie below the upper bound")
    return pair


Range = Annotated[tuple[float, float], AfterValidator(_rising)]


class PresenceLimits(Config):
    refuse_below: Probability
    doubtful_below: Probability


class ViewLimits(Config):
    refuse_other_from: Probability
    doubtful_dp_below: Probability
    stated_not_dp: frozenset[str]


class SideLimits(Config):
    doubtful_below: Probability


class CutOffLimits(Config):
    margin_percent: float = Field(ge=0.0)


class LandmarkLimits(Config):
    withhold_below: Probability
    doubtful_below: Probability
    name_at_most: int = Field(ge=1)


class IntervalLimits(Config):
    level: float = Field(gt=0.0, lt=1.0)
    inflation: dict[str, Annotated[float, Field(gt=0.0)]]
    widest: dict[str, Annotated[float, Field(gt=0.0)]]


class ShapeLimits(Config):
    values: dict[str, Range]
    shaft_ratio: dict[str, Range]
    slenderness: Range


class SpacingLimits(Config):
    aspect: Range
    second_metatarsal_mm: Range


class RemarkLimits(Config):
    for_review: tuple[str, ...]


class DecisionLimits(Config):
    """All limits; one section a gate."""

    presence: PresenceLimits
    view: ViewLimits
    side: SideLimits
    cut_off: CutOffLimits
    landmarks: LandmarkLimits
    interval: IntervalLimits
    shape: ShapeLimits
    spacing: SpacingLimits
    remarks: RemarkLimits

    @model_validator(mode="after")
    def _measures_exist(self) -> DecisionLimits:
        named = set(self.interval.widest) | set(self.interval.inflation) | set(self.shape.values)
        unknown = named - {measure.name for measure in MEASURES}
        if unknown:
            raise ValueError(f"no such measure: {', '.join(sorted(unknown))}")
        return self


@lru_cache(maxsize=1)
def decision_limits() -> DecisionLimits:
    """The limits shipped with the package.

    Raises
    ------
    ConfigError
        If ``decision.yaml`` does not fit the model or names an unknown measure.
    """
    return load(DecisionLimits, shipped("decision.yaml"))

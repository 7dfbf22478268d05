"""Thresholds of the decision (``configs/decision.yaml``)."""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.infer.films.loading import Loading
from raysplay.infer.films.remark import RemarkKind
from raysplay.infer.reason import ReasonKind
from raysplay.measure import MEASURES, by_name

Probability = Annotated[float, Field(ge=0.0, le=1.0)]


def _rising(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] >= pair[1]:
        raise ValueError("lower bound must lie below the upper bound")
    return pair


def _kind(name: str) -> str:
    return ReasonKind(name).value


Range = Annotated[tuple[float, float], AfterValidator(_rising)]


class PresenceLimits(Config):
    refuse_below: Probability
    doubtful_below: Probability


class ViewLimits(Config):
    refuse_other_from: Probability
    refuse_oblique_from: Probability
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


class Calibration(Config):
    """What the factors of the intervals were made from; ``feet`` counts those behind each factor."""

    level: float = Field(gt=0.0, lt=1.0)
    films: int = Field(ge=1)
    feet: dict[str, Annotated[int, Field(ge=1)]]
    source: str
    date: date


class IntervalLimits(Config):
    level: float = Field(gt=0.0, lt=1.0)
    inflation: dict[str, Annotated[float, Field(gt=0.0)]]
    shape_sd: dict[str, Annotated[float, Field(gt=0.0)]] = Field(default_factory=dict)
    calibrated: Calibration | None = None
    decides: Annotated[tuple[str, ...], Field(min_length=1)]
    widest: dict[str, Annotated[float, Field(gt=0.0)]]


class ConditionLimits(Config):
    """One condition of the landmark network: from which probability it counts, and what a person must know of it."""

    doubtful_from: Probability
    refuse_from: Probability | None = None
    withhold_below: Probability = 0.0
    hint: str


class UnlikeTrainingLimits(Config):
    doubtful_from: float = Field(gt=0.0)


class PolarityLimits(Config):
    clear_from: float = Field(ge=1.0)


class ConstructionLimits(Config):
    measures: tuple[str, ...]
    compare: Annotated[tuple[str, ...], Field(min_length=2)]
    review: bool

    @model_validator(mode="after")
    def _buildable(self) -> ConstructionLimits:
        for name in self.measures:
            for construction in self.compare:
                by_name(name, construction)
        return self


class ShapeLimits(Config):
    values: dict[str, Range]
    shaft_ratio: dict[str, Range]
    slenderness: Range


class SpacingLimits(Config):
    aspect: Range
    second_metatarsal_mm: Range


class PixelShapeLimits(Config):
    square_within_percent: float = Field(ge=0.0)


class LoadingLimits(Config):
    for_review: frozenset[Loading]


class RemarkLimits(Config):
    for_review: frozenset[RemarkKind]


class DecisionLimits(Config):
    """All limits; one section a gate."""

    presence: PresenceLimits
    view: ViewLimits
    side: SideLimits
    cut_off: CutOffLimits
    conditions: dict[Annotated[str, AfterValidator(_kind)], ConditionLimits]
    unlike_training: UnlikeTrainingLimits
    polarity: PolarityLimits
    landmarks: LandmarkLimits
    interval: IntervalLimits
    shape: ShapeLimits
    construction: ConstructionLimits
    spacing: SpacingLimits
    pixel_shape: PixelShapeLimits
    loading: LoadingLimits
    remarks: RemarkLimits

    @model_validator(mode="after")
    def _measures_exist(self) -> DecisionLimits:
        interval = self.interval
        calibrated = interval.calibrated.feet if interval.calibrated else {}
        named = {
            *interval.decides,
            *interval.widest,
            *interval.inflation,
            *interval.shape_sd,
            *calibrated,
            *self.shape.values,
        }
        unknown = named - {measure.name for measure in MEASURES}
        if unknown:
            raise ValueError(f"no such measure: {', '.join(sorted(unknown))}")
        return self


@lru_cache(maxsize=1)
def decision_settings() -> DecisionLimits:
    """The limits shipped with the package.

    Raises
    ------
    ConfigError
        If ``decision.yaml`` does not fit the model or names an unknown measure.
    """
    return load(DecisionLimits, shipped("decision.yaml"))

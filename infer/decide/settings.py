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
    """Score of a found foot, 0 to 1: ``refuse_below``, no foot; ``doubtful_below``, a person looks."""

    refuse_below: Probability
    doubtful_below: Probability


class ViewLimits(Config):
    """Probabilities of views, 0 to 1, and what a file may state against a dorsoplantar film.

    Attributes
    ----------
    refuse_other_from : float
        Lateral and other together, on film and crop.
    refuse_oblique_from : float
        These and oblique together, on the crop alone.
    doubtful_dp_below : float
        Dorsoplantar, for a person to look.
    stated_not_dp : frozenset of str
        Words of View Position and the like, in capitals.
    """

    refuse_other_from: Probability
    refuse_oblique_from: Probability
    doubtful_dp_below: Probability
    stated_not_dp: frozenset[str]


class AnkleViewLimits(Config):
    """From where on, both at once, a foot may be one of a film of the ankle.

    Attributes
    ----------
    steep_from : float
        Estimated angle of the beam, degrees toward the heel.
    leg_from : float
        Leg that lies in the picture, in lengths of the second metatarsal.
    """

    steep_from: float
    leg_from: float = Field(gt=0.0)


class SideLimits(Config):
    """Probability of the side, 0.5 to 1, below which a person looks, and what a side letter belongs to.

    ``letter_nearer``: on a film of several feet a letter belongs to a foot where it lies at most so many times as far
    from its middle as from that of any other; else to none.
    """

    doubtful_below: Probability
    letter_nearer: float = Field(gt=0.0, lt=1.0)


class CutOffLimits(Config):
    """Distance from the film's edge that counts as cut off, in percent of the foot's own length."""

    margin_percent: float = Field(ge=0.0)


class LandmarkLimits(Config):
    """Confidence of a landmark, 0 to 1: ``withhold_below`` it counts as missing, ``doubtful_below`` a person looks.

    ``name_at_most`` points are named in reasons, the rest are counted.
    """

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
    """How intervals are made, and how wide they may be.

    Attributes
    ----------
    level : float
        Share of truths that they shall hold, between 0 and 1.
    inflation : dict of str to float
        Factor on the standard deviation by measure; 1 where not named.
    shape_sd : dict of str to float
        Added in quadrature, in the measure's unit; 0 where not named.
    calibrated : Calibration or None
        What the factors were made from.
    decides : tuple of str
        Measures whose doubt sends a foot to a person.
    widest : dict of str to float
        Width (high - low) that passes, in the measure's unit.
    """

    level: float = Field(gt=0.0, lt=1.0)
    inflation: dict[str, Annotated[float, Field(gt=0.0)]]
    shape_sd: dict[str, Annotated[float, Field(gt=0.0)]] = Field(default_factory=dict)
    calibrated: Calibration | None = None
    decides: Annotated[tuple[str, ...], Field(min_length=1)]
    widest: dict[str, Annotated[float, Field(gt=0.0)]]


class ShellLimits(Config):
    """When the wall or the end of a shell decides over a cast (``decide/shell.py``).

    Attributes
    ----------
    sure_from : float
        Probability from which the network's word is enough.
    wall_from, end_from : float
        Between ``doubtful_from`` and there: how far the wall must stand out or the end step down, one of them, in
        contrasts of soft parts.
    look_from : float
        Probability, below ``doubtful_from``, from which a shell is looked for.
    plain_wall_from, plain_end_from : float
        The same between there and ``doubtful_from``.
    """

    sure_from: Probability
    wall_from: float = Field(gt=0.0)
    end_from: float = Field(gt=0.0)
    look_from: Probability
    plain_wall_from: float = Field(gt=0.0)
    plain_end_from: float = Field(gt=0.0)

    @model_validator(mode="after")
    def _in_order(self) -> ShellLimits:
        if self.look_from >= self.sure_from:
            raise ValueError("look_from must lie below sure_from")
        if self.wall_from > self.plain_wall_from or self.end_from > self.plain_end_from:
            raise ValueError("plain_wall_from and plain_end_from must not lie below wall_from and end_from")
        return self


class ConditionLimits(Config):
    """One condition of the landmark network: from which probability it counts, and what a person must know of it.

    With ``shell`` the wall and the end of a shell are a second witness.
    """

    doubtful_from: Probability
    shell: ShellLimits | None = None
    refuse_from: Probability | None = None
    withhold_below: Probability = 0.0
    hint: str


class UnlikeTrainingLimits(Config):
    """Strangeness from which a person looks; about 1 for a film like those of training."""

    doubtful_from: float = Field(gt=0.0)


class PolarityLimits(Config):
    """How many times as strange the other reading of a film and its negative must be for the polarity to be clear."""

    clear_from: float = Field(ge=1.0)


class ConstructionLimits(Config):
    """Measures whose constructions are compared, by which, and whether a difference sends the foot to a person.

    The bounds, in degrees, stand in the protocol.
    """

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
    """Shapes that a foot may have.

    Attributes
    ----------
    values : dict of str to (float, float)
        Least and greatest value by measure, in its unit.
    shaft_ratio : dict of str to (float, float)
        By bone of the schema: distance of its shaft levels over that of the second metatarsal's.
    slenderness : (float, float)
        Shaft width over the distance of the levels.
    """

    values: dict[str, Range]
    shaft_ratio: dict[str, Range]
    slenderness: Range


class SpacingLimits(Config):
    """Row over column distance, and mm between the second metatarsal's shaft levels, that can be believed."""

    aspect: Range
    second_metatarsal_mm: Range


class PixelShapeLimits(Config):
    """How far from square a pixel may be by one statement alone, in percent."""

    square_within_percent: float = Field(ge=0.0)


class LoadingLimits(Config):
    """Loads on the foot that send it to a person."""

    for_review: frozenset[Loading]


class RemarkLimits(Config):
    """Kinds of remarks on a file that send its feet to a person."""

    for_review: frozenset[RemarkKind]


class DecisionLimits(Config):
    """All limits; one section a gate."""

    presence: PresenceLimits
    view: ViewLimits
    ankle_view: AnkleViewLimits
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

"""Where the deformity of a foot sits, as facts: each level of the first ray against its published normal range.

Figures come from the points as the review left them, with the intervals of the run (inflated as there). What the run or
the review holds back is held back here, and a level that the run does not report is asked by the same rules.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.configs.normal_ranges import normal_ranges
from raysplay.configs.proof import ForeignError
from raysplay.configs.protocol import ReadingProtocol
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.review.held import cause_in_words, held_back
from raysplay.infer.review.reading import FootGauge, Measured
from raysplay.infer.review.settings import HandPlaced
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.measure import Measure, under
from raysplay.measure.axes import CONSTRUCTIONS, SHAFT
from raysplay.measure.deformity import BESIDE, RAY, Leading, leading_level
from raysplay.measure.normal_range import NormalRange

ADDUCTION = ("maa_mc4", "maa_mc5")
"""Metatarsus adductus by either joint: where there is some, IMA reads smaller than the first metatarsal has moved."""


@dataclass(frozen=True)
class Level:
    """One level of the first ray on one film.

    Attributes
    ----------
    measure : Measure
    value, low, high : float
        Degrees; ``nan`` where withheld.
    withheld : str
        Why there is no number, in words; empty where there is one.
    normal : NormalRange or None
    excess, excess_low, excess_high : float
        Beyond the normal range, with what the interval allows; ``nan`` without a number or a range.
    weighed : bool
        Whether it is weighed against the others.
    proven : bool
        Whether its error is known, and small, on bones that no generator drew.
    foreign_error : ForeignError or None
        What that error is; None where it was not measured.
    """

    measure: Measure
    value: float
    low: float
    high: float
    withheld: str
    normal: NormalRange | None
    excess: float
    excess_low: float
    excess_high: float
    weighed: bool
    proven: bool
    foreign_error: ForeignError | None


@dataclass(frozen=True)
class WhereItSits:
    """The breakdown of one foot on one film.

    Attributes
    ----------
    foot : FootOnFilm
    hva : Level
    levels : tuple of Level
        From the heel to the toe, those that are weighed first.
    leading : Leading
        What the numbers give, whatever is proven of them.
    """

    foot: FootOnFilm
    hva: Level
    levels: tuple[Level, ...]
    leading: Leading

    @property
    def weighed(self) -> tuple[Level, ...]:
        """Levels that are weighed against each other."""
        return tuple(one for one in self.levels if one.weighed)

    @property
    def unproven(self) -> tuple[Level, ...]:
        """Weighed levels whose error is not known, or too large: while there is one, no level is said to hold most."""
        return tuple(one for one in self.weighed if not one.proven or one.measure.low_confidence)

    @property
    def most(self) -> Level | None:
        """The level that holds most, where that may be said."""
        if self.leading.level is None or self.unproven or self.leading.missing:
            return None
        return next(one for one in self.weighed if one.measure.name == self.leading.level)

    @property
    def largest(self) -> Level | None:
        """The level with the largest excess in the direction in which the toe leans; None where there is none."""
        lean = -1.0 if self.hva.value < 0.0 else 1.0
        beyond = [one for one in self.weighed if isfinite(one.excess) and lean * one.excess > 0.0]
        return max(beyond, key=lambda one: lean * one.excess, default=None)

    @property
    def adducted(self) -> tuple[Level, ...]:
        """Metatarsus adductus angles beyond their normal range."""
        return tuple(one for one in self.levels if one.measure.name in ADDUCTION and one.excess > 0.0)


def where_it_sits(foot: FootOnFilm, protocol: ReadingProtocol, limits: DecisionLimits, hand: HandPlaced) -> WhereItSits:
    """Break the first ray of a foot down.

    Parameters
    ----------
    foot : FootOnFilm
    protocol : ReadingProtocol
        For what the film's spacing may be used.
    limits : DecisionLimits
        For intervals, and for what is held back.
    hand : HandPlaced
    """
    built = foot.standing.construction
    construction = built if built in CONSTRUCTIONS else SHAFT
    measures = [under(name, construction) for name in ("hva", *RAY, *BESIDE)]
    normal = normal_ranges()
    read = _read(foot, measures, protocol, limits, hand)
    levels = [
        _level(foot, measure, one, normal.get(measure.name), limits)
        for measure, one in zip(measures, read, strict=True)
    ]
    hva, *along = levels
    weighed = {one.measure.name: (one.excess, one.excess_low, one.excess_high) for one in along if one.weighed}
    return WhereItSits(foot, hva, tuple(along), leading_level(hva.value, weighed))


def _read(
    foot: FootOnFilm, measures: list[Measure], protocol: ReadingProtocol, limits: DecisionLimits, hand: HandPlaced
) -> list[Measured]:
    if foot.unfit or not foot.frame:
        why = foot.unfit or "which way round the foot lies is not known"
        return [Measured(one, np.nan, np.nan, np.nan, np.nan, why) for one in measures]
    gauge = FootGauge(measures, protocol, limits, hand)
    placed, covariance = foot.standing.placed, foot.model.covariance
    return gauge.measure(placed, covariance, foot.frame, foot.film, gauge.construction)


def _level(
    foot: FootOnFilm, measure: Measure, read: Measured, normal: NormalRange | None, limits: DecisionLimits
) -> Level:
    why = read.withheld or _held(foot, measure, read, limits)
    value, low, high = (np.nan,) * 3 if why else (read.value, read.low, read.high)
    reported = foot.measure(measure.name)
    if not why and reported is not None and reported.measure == measure:
        value, low, high = reported.given
    excess, least, most = (np.nan if normal is None else float(normal.excess(end)) for end in (value, low, high))
    weighed = measure.name in RAY and normal is not None
    known = foot.proven(measure), foot.foreign_error(measure)
    return Level(measure, value, low, high, why, normal, excess, least, most, weighed, *known)


def _held(foot: FootOnFilm, measure: Measure, read: Measured, limits: DecisionLimits) -> str:
    """Why a number is held back, in words; empty where it may be given."""
    reported = foot.measure(measure.name)
    if reported is not None and reported.withheld:
        return reported.withheld
    if reported is not None and reported.measure == measure:
        return ""
    by_hand = bool(foot.standing.placed.moved[[landmark_schema().index(code) for code in measure.landmarks]].any())
    held = held_back(
        measure,
        None,
        ask=not foot.standing.reading.anew,
        by_hand=by_hand,
        width=read.high - read.low,
        placed=foot.standing.placed,
        initial=foot.initial,
        table=foot.model,
        limits=limits,
    )
    return "" if held is None else f"withheld: {cause_in_words(held.cause)}"

"""Where the deformity sits: the first ray broken down into its levels, each against its published normal range.

Along the ray stand five angles between neighbours, from the heel to the toe (:data:`RAY`): the metatarsal against the
second, its head's surface, the joint, the base of the phalanx, the phalanges against each other. Sums of them hold
exactly: HVA = DMAA + joint congruency angle + PPAA, and IMA = first tarsometatarsal angle + cuneiform obliquity. A
normal foot has some of each, so a level counts by what it has beyond its normal range, not by its share of an angle.
HVA holds no part of the first tarsometatarsal joint: that level is IMA's, and shows in HVA not at all.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.measure.axes import SHAFT
from raysplay.measure.geometry import FloatArray
from raysplay.measure.normal_range import NormalRange
from raysplay.measure.propagate import MeasureArray, measure_feet
from raysplay.measure.registry import under
from raysplay.measure.schema import LandmarkSchema

HALLUX_VALGUS = ("dmaa", "mtp1_joint", "ppaa")
"""Links that add up to the hallux valgus angle, from the heel to the toe."""

INTERMETATARSAL = ("tmt1", "cuneiform_obliquity")
"""Links that add up to the intermetatarsal angle."""

RAY = ("ima", *HALLUX_VALGUS, "hia")
"""Levels of the first ray that are weighed against each other, from the heel to the toe."""

BESIDE = ("tmt1", "cuneiform_obliquity", "m1_base_obliquity", "maa_mc4", "maa_mc5")
"""What is told beside them: parts of the first tarsometatarsal level for which no normal range on films is known, and
the adduction of the metatarsus, which makes IMA read smaller than the first metatarsal has moved."""


@dataclass(frozen=True)
class Excess:
    """What N feet have of one level beyond its normal range, with the interval that follows from that of the level.

    ``value``, ``low`` and ``high`` (N,) in degrees: positive above the range, negative below, 0 within.
    """

    value: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class Deformity:
    """Breakdown of N feet.

    Attributes
    ----------
    hva : MeasureArray
        The sum of the links in :data:`HALLUX_VALGUS`.
    levels : dict of str to MeasureArray
        Those of :data:`RAY` and :data:`BESIDE`.
    excess : dict of str to Excess
        Of those levels of :data:`RAY` that have a normal range.
    construction : str
        Of the first metatarsal's axis.
    """

    hva: MeasureArray
    levels: dict[str, MeasureArray]
    excess: dict[str, Excess]
    construction: str

    def leading(self, foot: int) -> Leading:
        """Which level of a foot, by its position, carries most; see :func:`leading_level`."""
        excess = {
            name: (float(one.value[foot]), float(one.low[foot]), float(one.high[foot]))
            for name, one in self.excess.items()
        }
        return leading_level(float(self.hva.value[foot]), excess)


@dataclass(frozen=True)
class Leading:
    """Which level of a foot carries most of the deformity.

    Attributes
    ----------
    level : str or None
        One of :data:`RAY` that surely carries more than half of the excess; None where none does, or it cannot be told.
    share, low, high : float
        Its share of the excess of all levels with the smallest and greatest that the intervals allow, or that of the
        largest level where none leads; ``nan`` where there is no excess or a level is missing.
    missing : tuple of str
        Levels without a number: nothing can be weighed without them.
    """

    level: str | None
    share: float
    low: float
    high: float
    missing: tuple[str, ...]


def where_deformity_sits(
    points: npt.ArrayLike,
    covariance: npt.ArrayLike,
    schema: LandmarkSchema,
    normal: Mapping[str, NormalRange],
    *,
    construction: str = SHAFT,
    visible: npt.ArrayLike | None = None,
    level: float = 0.90,
) -> Deformity:
    """Break the first ray down into its levels.

    Parameters
    ----------
    points, covariance, schema, visible, level
        As for :func:`~raysplay.measure.propagate.measure_feet`.
    normal : mapping of str to NormalRange
        By level; those of :data:`RAY` that are not in it are given, but not weighed.
    construction : str
        The same for every axis that the links share; without that the sums would not hold.

    Returns
    -------
    Deformity
        Values in degrees, with intervals.

    Examples
    --------
    >>> from raysplay.measure.evidence import Evidence
    >>> codes = ("M1_base_c", "M1_head_c", "M1_art_med", "M1_art_lat", "PP_art_med", "PP_art_lat")
    >>> shaft = ("PPp_med", "PPp_lat", "PPd_med", "PPd_lat")
    >>> schema = LandmarkSchema((*codes, *shaft), ("",) * 10)
    >>> foot = [[0, 0], [0, 60], [-9, 66], [9, 64], [-8, 70], [9, 66], [0, 76], [10, 73], [6, 90], [15, 86]]
    >>> normal = {"ppaa": NormalRange("ppaa", 0.0, 6.0, "a table", Evidence.SEEN)}
    >>> sits = where_deformity_sits([foot], np.zeros((1, 10, 2, 2)), schema, normal, construction="head_base")
    >>> parts = [float(sits.levels[name].value[0]) for name in HALLUX_VALGUS]
    >>> [round(part, 1) for part in parts], round(float(sits.hva.value[0]) - sum(parts), 9)
    ([6.3, 6.9, 8.9], 0.0)
    >>> round(float(sits.excess["ppaa"].value[0]), 1)
    2.9
    """
    names = ("hva", *RAY, *BESIDE)
    read = measure_feet(
        points,
        covariance,
        schema,
        visible=visible,
        level=level,
        measures=[under(name, construction) for name in names],
    )
    beyond = {
        name: Excess(*(normal[name].excess(end) for end in (read[name].value, read[name].low, read[name].high)))
        for name in RAY
        if name in normal
    }
    return Deformity(read["hva"], {name: read[name] for name in names[1:]}, beyond, read["hva"].construction)


def leading_level(hva: float, excess: Mapping[str, tuple[float, float, float]]) -> Leading:
    """Which level carries most of what a foot has beyond normal.

    A level leads only where even the least that its interval allows is more than half of all, while every other level
    has the most that its own allows. Levels are counted in the direction in which the great toe leans (HVA, sign);
    what lies beyond normal the other way is no part of the deformity and is not counted against it.

    Parameters
    ----------
    hva : float
        Hallux valgus angle, degrees; ``nan`` where withheld.
    excess : mapping of str to (float, float, float)
        Value, low and high of what each level has beyond its normal range, degrees; ``nan`` where withheld.

    Examples
    --------
    >>> leading = leading_level(32.0, {"ima": (8.0, 7.0, 9.0), "dmaa": (3.0, 1.0, 5.0)})
    >>> leading.level, round(leading.share, 2), round(leading.low, 2)
    ('ima', 0.73, 0.58)
    """
    missing = tuple(name for name, (value, _, _) in excess.items() if not np.isfinite(value))
    if missing or not excess or not np.isfinite(hva):
        return Leading(None, np.nan, np.nan, np.nan, missing)
    lean = -1.0 if hva < 0.0 else 1.0
    least, given, most = {}, {}, {}
    for name, (value, low, high) in excess.items():
        ends = sorted(lean * end for end in (low, high))
        least[name], most[name] = (max(end, 0.0) for end in ends)
        given[name] = max(lean * value, 0.0)
    largest = max(given, key=given.__getitem__)
    if given[largest] == 0.0:
        return Leading(None, np.nan, np.nan, np.nan, ())
    low = _share(least[largest], _others(most, largest))
    high = _share(most[largest], _others(least, largest))
    share = _share(given[largest], _others(given, largest))
    return Leading(largest if low > 0.5 else None, share, low, high, ())


def _others(parts: Mapping[str, float], one: str) -> Iterable[float]:
    return (value for name, value in parts.items() if name != one)


def _share(part: float, others: Iterable[float]) -> float:
    whole = part + sum(others)
    return part / whole if whole > 0.0 else 0.0

"""Where the deformity sits: the lean of the great toe broken down along the first ray.

Every link is a signed angle between neighbours, so each sum holds exactly: HVA = DMAA + joint angle + PPAA, and
IMA = first tarsometatarsal angle + cuneiform obliquity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.measure.axes import SHAFT
from raysplay.measure.definition import RATIO, Measure
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import FloatArray
from raysplay.measure.propagate import MeasureArray, measure_feet
from raysplay.measure.registry import under
from raysplay.measure.schema import LandmarkSchema

HALLUX_VALGUS = ("dmaa", "mtp1_joint", "ppaa")
"""Links that add up to the hallux valgus angle, from the heel to the toe."""

INTERMETATARSAL = ("tmt1", "cuneiform_obliquity")
"""Links that add up to the intermetatarsal angle."""

LEVELS = {
    "hia": "interphalangeal joint and distal phalanx (HIA)",
    "ppaa": "base surface of the proximal phalanx (PPAA)",
    "mtp1_joint": "metatarsophalangeal joint",
    "dmaa": "head surface of the first metatarsal (DMAA)",
    "ima": "first against second metatarsal (IMA)",
    "tmt1": "first tarsometatarsal joint",
    "cuneiform_obliquity": "obliquity of the medial cuneiform",
    "maa_mc4": "adduction of the forefoot (MAA by Sgarlato)",
    "maa_mc5": "adduction of the forefoot (MAA, variant by the fifth joint)",
}
"""Levels from the toe to the heel, in words."""


@dataclass(frozen=True)
class Deformity:
    """Breakdown of N feet.

    Attributes
    ----------
    hva : MeasureArray
        The sum of the links in :data:`HALLUX_VALGUS`.
    levels : dict of str to MeasureArray
        By the keys of :data:`LEVELS`.
    shares : dict of str to MeasureArray
        Share of each link of :data:`HALLUX_VALGUS` in the hallux valgus angle, as a ratio; they sum to 1. A share
        can be negative, where the link leans against the others, and means little where the angle is small.
    construction : str
        Of the first metatarsal's axis.
    """

    hva: MeasureArray
    levels: dict[str, MeasureArray]
    shares: dict[str, MeasureArray]
    construction: str


def where_deformity_sits(
    points: npt.ArrayLike,
    covariance: npt.ArrayLike,
    schema: LandmarkSchema,
    *,
    construction: str = SHAFT,
    visible: npt.ArrayLike | None = None,
    level: float = 0.90,
) -> Deformity:
    """Break the lean of the great toe down along the first ray.

    Parameters
    ----------
    points, covariance, schema, visible, level
        As for :func:`~raysplay.measure.propagate.measure_feet`.
    construction : str
        The same for every axis that the links share; without that the sums would not hold.

    Examples
    --------
    >>> codes = ("M1_base_c", "M1_head_c", "M1_art_med", "M1_art_lat", "PP_art_med", "PP_art_lat")
    >>> shaft = ("PPp_med", "PPp_lat", "PPd_med", "PPd_lat")
    >>> schema = LandmarkSchema((*codes, *shaft), ("",) * 10)
    >>> foot = [[0, 0], [0, 60], [-9, 66], [9, 64], [-8, 70], [9, 66], [0, 76], [10, 73], [6, 90], [15, 86]]
    >>> sits = where_deformity_sits([foot], np.zeros((1, 10, 2, 2)), schema, construction="head_base")
    >>> parts = [float(sits.levels[name].value[0]) for name in HALLUX_VALGUS]
    >>> [round(part, 1) for part in parts], round(float(sits.hva.value[0]) - sum(parts), 9)
    ([6.3, 6.9, 8.9], 0.0)
    """
    names = ("hva", *LEVELS)
    measures = [under(name, construction) for name in names]
    shares = {name: _share(under(name, construction), measures[0]) for name in HALLUX_VALGUS}
    read = measure_feet(
        points, covariance, schema, visible=visible, level=level, measures=[*measures, *shares.values()]
    )
    return Deformity(
        read["hva"],
        {name: read[name] for name in LEVELS},
        {name: read[share.name] for name, share in shares.items()},
        read["hva"].construction,
    )


def sentences(deformity: Deformity, foot: int, *, small: float) -> list[str]:
    """The breakdown of one foot in plain words.

    Parameters
    ----------
    deformity : Deformity
    foot : int
        Position of the foot.
    small : float
        Hallux valgus angle in degrees below which shares are not worth stating.
    """
    hva = deformity.hva
    if np.isnan(hva.value[foot]):
        return ["Hallux valgus angle withheld: its landmarks are missing, so nothing can be broken down."]
    lines = [f"Hallux valgus angle {_number(hva, foot)}, by the {deformity.construction} construction."]
    parts = {name: deformity.levels[name] for name in HALLUX_VALGUS}
    missing = [LEVELS[name] for name, part in parts.items() if np.isnan(part.value[foot])]
    if missing:
        lines.append(f"It cannot be broken down: landmarks are missing at {' and '.join(missing)}.")
    else:
        worth = abs(float(hva.value[foot])) >= small
        for name in reversed(HALLUX_VALGUS):
            share = deformity.shares[name]
            words = f"{LEVELS[name]}: {_number(parts[name], foot)}"
            if worth and np.isfinite(share.value[foot]):
                words += (
                    f", {100 * share.value[foot]:.0f} % of it"
                    f" ({100 * share.low[foot]:.0f} to {100 * share.high[foot]:.0f} %)"
                )
            lines.append(words[0].upper() + words[1:] + ".")
        lines.append(_largest(parts, foot) if worth else f"It is below {small:g} degrees: shares are not stated.")
    for name in ("hia", "ima", "tmt1", "cuneiform_obliquity", "maa_mc4", "maa_mc5"):
        beside = deformity.levels[name]
        if np.isfinite(beside.value[foot]):
            words = f"{LEVELS[name]}: {_number(beside, foot)}"
            if name in INTERMETATARSAL:
                words = f"of the IMA, {words}, low confidence"
            lines.append(words[0].upper() + words[1:] + ".")
    return lines


def _largest(parts: dict[str, MeasureArray], foot: int) -> str:
    """Which link carries most, if the intervals tell; in varus, most is the most negative."""
    lean = sum(float(part.value[foot]) for part in parts.values())
    sign = -1.0 if lean < 0.0 else 1.0
    ordered = sorted(parts, key=lambda name: -sign * float(parts[name].value[foot]))
    first, second = (parts[name] for name in ordered[:2])
    apart = first.low[foot] > second.high[foot] if sign > 0.0 else first.high[foot] < second.low[foot]
    if apart:
        return f"Most of it sits at the {LEVELS[ordered[0]]}."
    return (
        f"The {LEVELS[ordered[0]]} and the {LEVELS[ordered[1]]} carry the largest parts; "
        "their intervals overlap, so neither is said to carry most."
    )


def _number(array: MeasureArray, foot: int) -> str:
    return f"{array.value[foot]:.1f} degrees ({array.low[foot]:.1f} to {array.high[foot]:.1f})"


def _share(part: Measure, whole: Measure) -> Measure:
    taken = len(part.vectors)

    def share(*vectors: FloatArray) -> FloatArray:
        total = whole.function(*vectors[taken:])
        return part.function(*vectors[:taken]) / np.where(total == 0.0, np.nan, total)

    return Measure(
        name=f"{part.name}_share",
        title=f"Share of {part.abbreviation} in {whole.abbreviation}",
        abbreviation=f"{part.abbreviation} / {whole.abbreviation}",
        unit=RATIO,
        construction=whole.construction,
        vectors=(*part.vectors, *whole.vectors),
        function=share,
        definition=f"{part.abbreviation} divided by {whole.abbreviation}.",
        source="identity HVA = DMAA + joint angle + PPAA",
        evidence=Evidence.DERIVED,
    )

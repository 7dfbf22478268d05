"""Do the points look like one foot?"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from raysplay.infer.decide.case import Finding, FootCase, upright
from raysplay.infer.decide.settings import DecisionLimits, ShapeLimits
from raysplay.infer.decide.withheld import given
from raysplay.infer.decide.wording import number, unit_word
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import FloatArray, Outcome
from raysplay.measure import by_name
from raysplay.measure.bones import SHAFTS, bone_words

_STEMS = ("M1", "M2", "M4", "M5", "PP")
"""Bones that are looked at, by the stem of their landmarks' codes."""


def implausible_shape(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person points that no foot has: crossed cortices, wrong order or proportions, wild angles.

    Of the angles only those that are handed on count.
    """
    bounds = limits.shape
    points = upright(case.film, case.foot, case.landmarks.points)
    yield from _values(replace(case, measurements=given(case, limits)), bounds)
    shafts = {SHAFTS[stem]: _shaft(case, points, stem) for stem in _STEMS}
    for bone, (proximal, distal, width, crossed) in shafts.items():
        words, length = bone_words(bone), float(np.linalg.norm(distal - proximal))
        slenderness = width / max(length, 1e-9)
        if crossed:
            yield _finding(f"the cortices of the {words} cross")
        elif not bounds.slenderness[0] <= slenderness <= bounds.slenderness[1]:
            said = f"the {words} is {slenderness:.2f} times as wide as its shaft levels are apart"
            yield _finding(said, slenderness=slenderness)
        if distal[1] <= proximal[1]:
            yield _finding(f"the {words} points backwards")
    reference = float(np.linalg.norm(shafts["metatarsal_2"][1] - shafts["metatarsal_2"][0]))
    for bone, (low, high) in bounds.shaft_ratio.items():
        proximal, distal, _, _ = shafts[bone]
        ratio = float(np.linalg.norm(distal - proximal)) / max(reference, 1e-9)
        if not low <= ratio <= high:
            yield _finding(f"the {bone_words(bone)} has {ratio:.2f} of the second metatarsal's length", ratio=ratio)
    across = [float(shafts[f"metatarsal_{n}"][1][0]) for n in (1, 2, 4, 5)]
    if not all(a < b for a, b in itertools.pairwise(across)):
        yield _finding("the metatarsals do not lie side by side in order")
    if shafts["proximal_phalanx_1"][0][1] <= shafts["metatarsal_1"][1][1]:
        yield _finding("the great toe lies behind the first metatarsal")


def _values(case: FootCase, limits: ShapeLimits) -> Iterator[Finding]:
    for one in case.measurements:
        if one.measure in limits.values and np.isfinite(one.value):
            low, high = limits.values[one.measure]
            if not low <= one.value <= high:
                yield _finding(
                    f"{by_name(one.measure).abbreviation} of {number(one.value, one.unit)} {unit_word(one.unit)}, "
                    f"expected {low:g} to {high:g}",
                    value=one.value,
                )


def _shaft(case: FootCase, points: FloatArray, stem: str) -> tuple[FloatArray, FloatArray, float, bool]:
    """Mid-points of the proximal and distal level, mean width, and whether the cortices cross."""
    at = {
        (level, edge): points[case.schema.index(f"{stem}{level}_{edge}")] for level in "pd" for edge in ("med", "lat")
    }
    proximal = (at["p", "med"] + at["p", "lat"]) / 2.0
    distal = (at["d", "med"] + at["d", "lat"]) / 2.0
    axis = distal - proximal
    # Lateral of a distal-pointing axis: x lateral, y distal.
    normal = np.array([axis[1], -axis[0]]) / max(float(np.linalg.norm(axis)), 1e-9)
    widths = [float((at[level, "lat"] - at[level, "med"]) @ normal) for level in "pd"]
    return proximal, distal, sum(widths) / 2.0, min(widths) <= 0.0


def _finding(what: str, **numbers: float) -> Finding:
    return Finding(Outcome.REVIEW, Reason(ReasonKind.IMPLAUSIBLE_SHAPE, f"implausible shape: {what}", numbers))

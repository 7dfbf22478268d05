"""Is the part of the foot that is measured wholly on the film?"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from raysplay.infer.decide.case import Finding, FootCase, on_film, upright
from raysplay.infer.decide.config import CutOffLimits
from raysplay.infer.decide.needed import needed_landmarks
from raysplay.infer.records import Outcome
from raysplay.measure import Measure


def cut_off(case: FootCase, limits: CutOffLimits, measures: Sequence[Measure]) -> Iterator[Finding]:
    """Send to a person a foot of which a measured point leaves the film or lies on its border.

    Points that none of ``measures`` needs (a heel off the film, say) do not count.
    """
    points = case.landmarks.points
    extent = upright(case.film, case.foot, points)[:, 1]
    margin = limits.margin_percent / 100.0 * float(np.nanmax(extent) - np.nanmin(extent))
    outside = ~on_film(case.film, points, margin) & np.isfinite(points).all(axis=-1)
    leaving = [_part(case.schema.bones[i]) for i in needed_landmarks(case.schema, measures) if outside[i]]
    if leaving:
        parts = " and ".join(dict.fromkeys(leaving))
        yield Finding(Outcome.REVIEW, f"foot is cut off: {parts} leave the film")


def _part(bone: str) -> str:
    if "phalanx" in bone:
        return "toes"
    return "metatarsals" if bone.startswith("metatarsal") else "tarsal bones"

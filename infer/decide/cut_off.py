"""Is the part of the foot that is measured wholly on the film?"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from raysplay.infer.decide.case import Finding, FootCase, on_film, upright
from raysplay.infer.decide.needed import deciding, needed_landmarks
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome


def cut_off(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person a foot of which a measured point leaves the film or lies on its border.

    Points that no deciding measure needs (a heel off the film, say) do not count. A foot that was seen only with a
    margin round the film goes, too, wherever its points were placed.
    """
    points = case.landmarks.points
    extent = upright(case.film, case.foot, points)[:, 1]
    margin = limits.cut_off.margin_percent / 100.0 * float(np.nanmax(extent) - np.nanmin(extent))
    outside = ~on_film(case.film, points, margin) & np.isfinite(points).all(axis=-1)
    needed = needed_landmarks(case.schema, deciding(case.measurements, limits.interval))
    leaving = [_part(case.schema.bones[i]) for i in needed if outside[i]]
    if leaving:
        parts = " and ".join(dict.fromkeys(leaving))
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.CUT_OFF, f"foot is cut off: {parts} leave the film"))
    elif case.foot.reaches_beyond:
        said = "foot is cut off: no whole foot is seen, only one that reaches beyond the film"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.CUT_OFF, said))


def _part(bone: str) -> str:
    if "phalanx" in bone:
        return "toes"
    return "metatarsals" if bone.startswith("metatarsal") else "tarsal bones"

"""Left or right: anatomy against what the file states, and the points against both."""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.needed import usable_landmarks
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import FoundFoot, Outcome
from raysplay.measure import shown_side
from raysplay.measure.sides import SIDES


def side(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person: a conflict with the file, an unclear side, one side found twice in one view."""
    foot, stated = case.foot, case.film.laterality
    if stated in SIDES and stated != foot.side:
        said = f"side conflict: the file says {stated}, the anatomy says {foot.side}"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.SIDE_CONFLICT, said))
    chance = foot.side_probability
    if chance < limits.side.doubtful_below:
        said = f"side doubtful: {foot.side} at {chance:.2f}"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.SIDE_DOUBTFUL, said, {"probability": chance}))
    # The same foot in two views on one film is common; twice in the same view means one side is misread.
    if _is_dp(foot) and any(other.side == foot.side and _is_dp(other) for other in case.companions):
        said = f"side repeated: more than one foot on this film reads as {foot.side}"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.SIDE_REPEATED, said))


def side_of_points(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person a foot whose points lie as on the other foot; its numbers are withheld."""
    if told := contradicting(case, limits):
        said = f"side contradicted: the points lie as on {told}, the picture was read as {case.foot.side}"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.SIDE_CONTRADICTED, said))


def contradicting(case: FootCase, limits: DecisionLimits) -> str:
    """The side that the points show, where it is not the one by which the foot is measured; else empty."""
    points, usable = case.landmarks.points, usable_landmarks(case.film, case.landmarks, limits)
    told = shown_side(points, case.schema, usable) or shown_side(points, case.schema)
    return told if told and told != case.foot.side else ""


def _is_dp(foot: FoundFoot) -> bool:
    return bool(foot.view) and max(foot.view, key=lambda name: foot.view[name]) == "dp"

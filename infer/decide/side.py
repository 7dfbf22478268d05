"""Left or right: anatomy against what the file states, and the points against both."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.config import DecisionLimits, SideLimits
from raysplay.infer.decide.needed import usable_landmarks
from raysplay.infer.films.film import Film
from raysplay.infer.records import FoundFoot, Outcome
from raysplay.measure import shown_side


def side(film: Film, foot: FoundFoot, companions: Sequence[FoundFoot], limits: SideLimits) -> Iterator[Finding]:
    """Send to a person: a conflict with the file, an unclear side, one side found twice in one view."""
    if film.laterality in ("L", "R") and film.laterality != foot.side:
        yield Finding(Outcome.REVIEW, f"side conflict: the file says {film.laterality}, the anatomy says {foot.side}")
    if foot.side_probability < limits.doubtful_below:
        yield Finding(Outcome.REVIEW, f"side doubtful: {foot.side} at {foot.side_probability:.2f}")
    # The same foot in two views on one film is common; twice in the same view means one side is misread.
    if _is_dp(foot) and any(other.side == foot.side and _is_dp(other) for other in companions):
        yield Finding(Outcome.REVIEW, f"side repeated: more than one foot on this film reads as {foot.side}")


def side_of_points(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person a foot whose points lie as on the other foot; its numbers are withheld."""
    if told := contradicting(case, limits):
        yield Finding(
            Outcome.REVIEW, f"side contradicted: the points lie as on {told}, the picture was read as {case.foot.side}"
        )


def contradicting(case: FootCase, limits: DecisionLimits) -> str:
    """The side that the points show, where it is not the one by which the foot is measured; else empty."""
    points, usable = case.landmarks.points, usable_landmarks(case.film, case.landmarks, limits)
    told = shown_side(points, case.schema, usable) or shown_side(points, case.schema)
    return told if told and told != case.foot.side else ""


def _is_dp(foot: FoundFoot) -> bool:
    return bool(foot.view) and max(foot.view, key=lambda name: foot.view[name]) == "dp"

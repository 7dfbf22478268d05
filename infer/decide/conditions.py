"""What makes a foot unfit for measuring: growth plates, metal, cast, splint, missing toe, overlap."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from raysplay.infer.decide.case import Finding
from raysplay.infer.decide.config import ConditionLimits
from raysplay.infer.records import FootLandmarks, Outcome


def seen(landmarks: FootLandmarks, limits: Mapping[str, ConditionLimits]) -> list[str]:
    """Names of the conditions that are likely enough to count; one without limits is not looked at."""
    chances = landmarks.conditions
    return [name for name, limit in limits.items() if chances.get(name, 0.0) >= limit.doubtful_from]


def conditions(landmarks: FootLandmarks, limits: Mapping[str, ConditionLimits]) -> Iterator[Finding]:
    """Send to a person, or refuse where a limit for that is set, each condition with its own sentence."""
    for name in seen(landmarks, limits):
        limit, chance = limits[name], landmarks.conditions[name]
        refuse = limit.refuse_from is not None and chance >= limit.refuse_from
        yield Finding(
            Outcome.REFUSED if refuse else Outcome.REVIEW,
            f"{limit.seen} ({chance:.2f}): {limit.hint}",
        )

"""What makes a foot unfit for measuring: growth plates, metal, cast, splint, missing toe, overlap."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import ConditionLimits, DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import FootLandmarks, Outcome


def seen(landmarks: FootLandmarks, limits: Mapping[str, ConditionLimits]) -> list[str]:
    """Names of the conditions that are likely enough to count, in the order of the limits.

    One without limits is not looked at; one that the network says nothing of counts as absent.
    """
    chances = landmarks.conditions
    return [name for name, limit in limits.items() if chances.get(name, 0.0) >= limit.doubtful_from]


def conditions(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person, or refuse where a limit for that is set, each condition with its own sentence."""
    for name in seen(case.landmarks, limits.conditions):
        limit, chance, kind = limits.conditions[name], case.landmarks.conditions[name], ReasonKind(name)
        refuse = limit.refuse_from is not None and chance >= limit.refuse_from
        yield Finding(
            Outcome.REFUSED if refuse else Outcome.REVIEW,
            Reason(kind, f"{kind.words} ({chance:.2f}): {limit.hint}", {"probability": chance}),
        )

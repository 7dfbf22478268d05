"""What makes a foot unfit for measuring: growth plates, metal, cast, splint, missing toe, overlap."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import ConditionLimits, DecisionLimits
from raysplay.infer.decide.shell import shell_ridge
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
    likely = seen(case.landmarks, limits.conditions)
    for name, limit in limits.conditions.items():
        kind, chance = ReasonKind(name), case.landmarks.conditions.get(name, 0.0)
        ridge = None
        if limit.shell is not None and limit.shell.look_from <= chance < limit.shell.sure_from:
            ridge = shell_ridge(case, limits.landmarks.doubtful_below)
        if not _counts(name in likely, limit, ridge):
            continue
        refuse = limit.refuse_from is not None and chance >= limit.refuse_from
        found = "" if name in likely else "a shell stands beside the foot; "
        numbers = {"probability": chance} if ridge is None else {"probability": chance, "ridge": ridge}
        yield Finding(
            Outcome.REFUSED if refuse else Outcome.REVIEW,
            Reason(kind, f"{kind.words} ({chance:.2f}): {found}{limit.hint}", numbers),
        )


def _counts(likely: bool, limit: ConditionLimits, ridge: float | None) -> bool:
    """Whether a condition counts; where no ridge was looked for, or none could be seen, by the network's word alone."""
    if limit.shell is None or ridge is None:
        return likely
    return ridge >= (limit.shell.ridge_from if likely else limit.shell.plain_from)

"""What makes a foot unfit for measuring: growth plates, metal, cast, splint, missing toe, overlap."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import ConditionLimits, DecisionLimits, ShellLimits
from raysplay.infer.decide.shell import shell_end, shell_wall
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
        shell: dict[str, float] = {}
        counts = name in likely
        if limit.shell is not None and limit.shell.look_from <= chance < limit.shell.sure_from:
            shell = _shell(case, limits.landmarks.doubtful_below)
            counts = _stands(shell, limit.shell, counts)
        if not counts:
            continue
        refuse = limit.refuse_from is not None and chance >= limit.refuse_from
        found = "" if name in likely else "a shell is seen about the foot, "
        yield Finding(
            Outcome.REFUSED if refuse else Outcome.REVIEW,
            Reason(kind, f"{kind.words} ({chance:.2f}): {found}{limit.hint}", {"probability": chance} | shell),
        )


def _shell(case: FootCase, doubtful_below: float) -> dict[str, float]:
    """What can be seen of a shell: ``wall``, ``end``."""
    found = {"wall": shell_wall(case, doubtful_below), "end": shell_end(case, doubtful_below)}
    return {name: value for name, value in found.items() if value is not None}


def _stands(shell: Mapping[str, float], limit: ShellLimits, likely: bool) -> bool:
    """Whether a cast counts, for what is seen of a shell; where not all can be looked at, the network's word stands."""
    wall, end = (limit.wall_from, limit.end_from) if likely else (limit.plain_wall_from, limit.plain_end_from)
    if shell.get("wall", 0.0) >= wall or shell.get("end", 0.0) >= end:
        return True
    return likely and len(shell) < 2

"""Is there a foot at all?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import FoundFoot, Outcome


def presence_from_afar(foot: FoundFoot, limits: DecisionLimits) -> Iterator[Finding]:
    """Refuse what scores too low to be a foot; send a weak find to a person."""
    numbers = {"score": foot.score}
    if foot.score < limits.presence.refuse_below:
        yield Finding(Outcome.REFUSED, Reason(ReasonKind.NO_FOOT, f"no foot: score {foot.score:.2f}", numbers))
    elif foot.score < limits.presence.doubtful_below:
        said = f"foot doubtful: score {foot.score:.2f}"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.FOOT_DOUBTFUL, said, numbers))


def presence(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """The same of a foot whose landmarks were read."""
    yield from presence_from_afar(case.foot, limits)

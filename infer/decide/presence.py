"""Is there a foot at all?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding
from raysplay.infer.decide.config import PresenceLimits
from raysplay.infer.records import FoundFoot, Outcome


def presence(foot: FoundFoot, limits: PresenceLimits) -> Iterator[Finding]:
    """Refuse what scores too low to be a foot; send a weak find to a person."""
    if foot.score < limits.refuse_below:
        yield Finding(Outcome.REFUSED, f"no foot: score {foot.score:.2f}")
    elif foot.score < limits.doubtful_below:
        yield Finding(Outcome.REVIEW, f"foot doubtful: score {foot.score:.2f}")

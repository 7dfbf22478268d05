"""Does the picture look as if its file were damaged?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome


def damage(case: FootCase, _limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person a film that looks damaged, though its file could be decoded."""
    if case.film.damage is not None:
        said = f"file doubtful: {case.film.damage.value}"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.FILE_DOUBTFUL, said))

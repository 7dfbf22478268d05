"""Is the picture unlike anything the landmark network was trained on?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome


def unlike_training(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person a picture far from the training films, however sure the network seems."""
    strangeness, limit = case.landmarks.strangeness, limits.unlike_training.doubtful_from
    if strangeness >= limit:
        said = f"unlike training films: strangeness {strangeness:.1f}, usual 1, limit {limit:g}"
        numbers = {"strangeness": strangeness, "limit": limit}
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.UNLIKE_TRAINING, said, numbers))

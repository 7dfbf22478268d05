"""Did the foot bear weight, by what the file states?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.films.loading import Loading
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome

_SENTENCES = {
    Loading.FULL: "the file says that the foot bore weight",
    Loading.PARTIAL: "the file says that the foot bore weight in part, with support, or only as far as tolerated",
    Loading.SIMULATED: "the file says that weight-bearing was simulated",
    Loading.NONE: "the file says that the foot did not bear weight",
    Loading.UNKNOWN: "the file does not say whether the foot bore weight",
    Loading.CONTRADICTORY: "what the file says of weight-bearing contradicts itself or cannot be understood",
}


def loading(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person a foot whose stated loading the limits name: angles hold for a foot that stands."""
    stated = case.film.loading
    if stated in limits.loading.for_review:
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.LOADING_NOT_FULL, f"loading: {_SENTENCES[stated]}"))

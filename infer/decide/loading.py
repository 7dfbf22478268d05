"""Did the foot bear weight, by what the file states and by words on the film?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.films.film import Film
from raysplay.infer.films.loading import Loading, settle
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
_READ = {
    Loading.PARTIAL: "words read off the film say that the foot bore weight in part",
    Loading.SIMULATED: "words read off the film say that weight-bearing was simulated",
    Loading.NONE: "words read off the film say that the foot did not bear weight",
    Loading.CONTRADICTORY: "words read off the film contradict each other on weight-bearing or cannot be understood",
}
_AGAINST = "words read off the film say of weight-bearing otherwise than the file: look at the film"


def loading(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person a foot whose stated loading the limits name: angles hold for a foot that stands."""
    stated = case.film.loading
    if stated in limits.loading.for_review:
        said = _said(case.film)
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.LOADING_NOT_FULL, f"loading: {said}"))


def _said(film: Film) -> str:
    """Who says how the foot was loaded, and what."""
    if film.loading_read is Loading.UNKNOWN:
        return _SENTENCES[film.loading]
    file = settle(film.loading_stated)
    if file is Loading.UNKNOWN:
        return _READ.get(film.loading, _SENTENCES[film.loading])
    return _SENTENCES[film.loading] if film.loading is file else _AGAINST

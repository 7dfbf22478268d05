"""Is it a dorsoplantar view?"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator

from raysplay.configs.views import VIEW_WORDS, VIEWS
from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import FoundFoot, Outcome

_NOT_DP = tuple(view for view in VIEWS if view != "dp")
_CLEARLY_NOT_DP = tuple(view for view in _NOT_DP if view != "oblique")


def view_from_afar(foot: FoundFoot, limits: DecisionLimits) -> Iterator[Finding]:
    """Refuse, before any landmark, what is clearly lateral or something else.

    The locator sees the whole film in few pixels; that does not tell an oblique foot from a dorsoplantar one.
    """
    yield from _refused(foot, _CLEARLY_NOT_DP, limits.view.refuse_other_from)


def view(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Refuse what is clearly not dorsoplantar at full resolution; send unclear views to a person.

    The network's view decides; what the file states can only add doubt.
    """
    foot, bounds = case.foot, limits.view
    refused = [
        *_refused(foot, _CLEARLY_NOT_DP, bounds.refuse_other_from),
        *_refused(foot, _NOT_DP, bounds.refuse_oblique_from),
    ]
    if refused:
        yield from refused
        return
    chances = _chances(foot)
    looks = max(_NOT_DP, key=lambda name: chances[name])
    if chances["dp"] < bounds.doubtful_dp_below:
        yield Finding(
            Outcome.REVIEW,
            Reason(
                ReasonKind.VIEW_DOUBTFUL,
                f"view doubtful: dorsoplantar {chances['dp']:.2f}, {VIEW_WORDS[looks]} {chances[looks]:.2f}",
                chances,
            ),
        )
    stated = set(re.findall(r"[A-Z]+", (case.film.view or "").upper())) & bounds.stated_not_dp
    if stated and chances["dp"] > chances[looks]:
        yield Finding(
            Outcome.REVIEW,
            Reason(
                ReasonKind.VIEW_CONFLICT,
                f"view conflict: the file says {sorted(stated)[0]}, the picture looks dorsoplantar",
            ),
        )


def _refused(foot: FoundFoot, views: Collection[str], limit: float) -> Iterator[Finding]:
    chances = _chances(foot)
    if sum(chances[name] for name in views) >= limit:
        looks = max(views, key=lambda name: chances[name])
        words = "like something else" if looks == "other" else VIEW_WORDS[looks]
        said = f"not a dorsoplantar view: looks {words} ({chances[looks]:.2f})"
        yield Finding(Outcome.REFUSED, Reason(ReasonKind.NOT_DORSOPLANTAR, said, chances))


def _chances(foot: FoundFoot) -> dict[str, float]:
    return {name: float(foot.view.get(name, 0.0)) for name in VIEWS}

"""Is it a dorsoplantar view?"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator

from raysplay.infer.decide.case import Finding
from raysplay.infer.decide.config import ViewLimits
from raysplay.infer.films.film import Film
from raysplay.infer.records import FoundFoot, Outcome

_NAMES = {"dp": "dorsoplantar", "oblique": "oblique", "lateral": "lateral", "other": "something else"}
_CLEARLY_NOT_DP = ("lateral", "other")
_NOT_DP = ("oblique", *_CLEARLY_NOT_DP)


def view_from_afar(foot: FoundFoot, limits: ViewLimits) -> Iterator[Finding]:
    """Refuse, before any landmark, what is clearly lateral or something else.

    The locator sees the whole film in few pixels; that does not tell an oblique foot from a dorsoplantar one.
    """
    yield from _refused(foot, _CLEARLY_NOT_DP, limits.refuse_other_from)


def view(film: Film, foot: FoundFoot, limits: ViewLimits) -> Iterator[Finding]:
    """Refuse what is clearly not dorsoplantar at full resolution; send unclear views to a person.

    The network's view decides; what the file states can only add doubt.
    """
    refused = [
        *_refused(foot, _CLEARLY_NOT_DP, limits.refuse_other_from),
        *_refused(foot, _NOT_DP, limits.refuse_oblique_from),
    ]
    if refused:
        yield from refused
        return
    chances = _chances(foot)
    looks = max(_NOT_DP, key=lambda name: chances[name])
    if chances["dp"] < limits.doubtful_dp_below:
        yield Finding(
            Outcome.REVIEW,
            f"view doubtful: dorsoplantar {chances['dp']:.2f}, {_NAMES[looks]} {chances[looks]:.2f}",
        )
    stated = set(re.findall(r"[A-Z]+", (film.view or "").upper())) & limits.stated_not_dp
    if stated and chances["dp"] > chances[looks]:
        yield Finding(
            Outcome.REVIEW,
            f"view conflict: the file says {sorted(stated)[0]}, the picture looks dorsoplantar",
        )


def _refused(foot: FoundFoot, views: Collection[str], limit: float) -> Iterator[Finding]:
    chances = _chances(foot)
    if sum(chances[name] for name in views) >= limit:
        looks = max(views, key=lambda name: chances[name])
        words = "like something else" if looks == "other" else _NAMES[looks]
        yield Finding(Outcome.REFUSED, f"not a dorsoplantar view: looks {words} ({chances[looks]:.2f})")


def _chances(foot: FoundFoot) -> dict[str, float]:
    return {name: float(foot.view.get(name, 0.0)) for name in _NAMES}

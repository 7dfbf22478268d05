"""Is it a dorsoplantar view?"""

from __future__ import annotations

import re
from collections.abc import Iterator

from raysplay.infer.decide.case import Finding
from raysplay.infer.decide.config import ViewLimits
from raysplay.infer.films.film import Film
from raysplay.infer.records import FoundFoot, Outcome

_NAMES = {"dp": "dorsoplantar", "oblique": "oblique", "lateral": "lateral", "other": "something else"}


def view(film: Film, foot: FoundFoot, limits: ViewLimits) -> Iterator[Finding]:
    """Refuse a clear lateral view or something else; send oblique and unclear views to a person.

    The network's view decides; what the file states can only add doubt.
    """
    chances = {name: float(foot.view.get(name, 0.0)) for name in _NAMES}
    if chances["lateral"] + chances["other"] >= limits.refuse_other_from:
        looks = max(("lateral", "other"), key=lambda name: chances[name])
        yield Finding(Outcome.REFUSED, f"not a dorsoplantar view: looks {_looks(looks)} ({chances[looks]:.2f})")
        return
    if chances["dp"] < limits.doubtful_dp_below:
        looks = max(("oblique", "lateral", "other"), key=lambda name: chances[name])
        yield Finding(
            Outcome.REVIEW,
            f"view doubtful: dorsoplantar {chances['dp']:.2f}, {_NAMES[looks]} {chances[looks]:.2f}",
        )
    stated = set(re.findall(r"[A-Z]+", (film.view or "").upper())) & limits.stated_not_dp
    if stated:
        yield Finding(
            Outcome.REVIEW,
            f"view conflict: the file says {sorted(stated)[0]}, the picture looks dorsoplantar",
        )


def _looks(name: str) -> str:
    return "like something else" if name == "other" else _NAMES[name]

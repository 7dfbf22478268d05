"""Does the picture look as if its file were damaged?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding
from raysplay.infer.films.film import Film
from raysplay.infer.records import Outcome


def damage(film: Film) -> Iterator[Finding]:
    """Send to a person a film that looks damaged, though its file could be decoded."""
    if film.damage is not None:
        yield Finding(Outcome.REVIEW, f"file doubtful: {film.damage.value}")

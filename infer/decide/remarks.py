"""Remarks on the file that a person must weigh."""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding
from raysplay.infer.decide.config import RemarkLimits
from raysplay.infer.films.film import Film
from raysplay.infer.records import Outcome


def remarks(film: Film, limits: RemarkLimits) -> Iterator[Finding]:
    """Send to a person a film with a remark of a kind that the limits name; its words decide nothing."""
    for remark in film.remarks:
        if remark.kind in limits.for_review:
            yield Finding(Outcome.REVIEW, f"remark on the file: {remark.text}")

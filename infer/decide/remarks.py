"""Remarks on the file that a person must weigh."""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome


def remarks(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person a film with a remark of a kind that the limits name; its words decide nothing."""
    for remark in case.film.remarks:
        if remark.kind in limits.remarks.for_review:
            yield Finding(Outcome.REVIEW, Reason(ReasonKind.FILE_REMARK, f"remark on the file: {remark.text}"))

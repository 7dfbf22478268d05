"""A foot in a reader's hands, as the page is told of it."""

from __future__ import annotations

from raysplay.infer.review.answers import ClaimState
from raysplay.infer.review.store import Claim


def claim_state(claim: Claim) -> ClaimState:
    """Who has the foot, and until when: seconds since 1970, to the millisecond."""
    return {"reader": claim.reader, "until": round(claim.until, 3)}

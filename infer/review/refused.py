"""Why a request is refused."""

from __future__ import annotations

from raysplay.infer.review.answers import Theirs, Yours


class UnknownFootError(LookupError):
    """A number that stands for no foot or film of this review."""


class RefusedError(ValueError):
    """A request that makes no sense for the foot; the message is for the reader."""


class OvertakenError(Exception):
    """A read made on a version that no longer stands, with both as the page shows them."""

    def __init__(self, message: str, theirs: Theirs, yours: Yours) -> None:
        super().__init__(message)
        self.theirs, self.yours = theirs, yours

"""Reads: what was saved, who has a foot in hand, and what stood before and after."""

from __future__ import annotations

from typing import Annotated, NotRequired

from typing_extensions import TypedDict

from raysplay.infer.review.answers.said import State


class ClaimState(TypedDict):
    """A foot in a reader's hands."""

    reader: Annotated[str, "initials"]
    until: Annotated[float, "seconds since 1970"]


class Claimed(TypedDict):
    """Who has the foot in hand now."""

    claim: ClaimState | None


class Saved(TypedDict):
    """A read that is on disk."""

    version: int
    state: State
    when: Annotated[str, "ISO 8601"]


class KeptPoint(TypedDict):
    """A point as a read holds it, pixels of the film."""

    code: str
    x: float | None
    y: float | None
    visible: bool
    moved: Annotated[bool, "placed by hand"]


class KeptNumber(TypedDict):
    """A number as a read holds it."""

    value: float | None
    low: float | None
    high: float | None
    construction: str
    by_hand: Annotated[bool, "a hand had part in it"]


class Acceptance(TypedDict):
    """Who took a number though it is held back."""

    by: Annotated[str, "initials"]
    cause: str
    by_run: NotRequired[bool]


class _Kept(TypedDict):
    state: State
    side: Annotated[str, "what the foot is called"]
    frame: Annotated[str, "`shown_as` at that time"]
    anew: Annotated[bool, "the model's points do not count"]
    construction: str
    points: Annotated[list[KeptPoint], "only those that are not as the model left them"]
    values: Annotated[dict[str, KeptNumber], "by measure"]
    accepted: Annotated[dict[str, Acceptance], "by measure"]
    withheld: Annotated[dict[str, str], "cause by measure"]
    corrected_by: Annotated[str | None, "who changed a point or the construction last"]
    hands: Annotated[dict[str, str], "by measure: who changed last what it stands on"]
    side_by: Annotated[str | None, "who said what the foot is called; null where that is the model"]
    reason: str
    note: str


class Content(_Kept):
    """What stood or stands."""

    remark: Annotated[str, "what of an earlier version's read is left out; else empty"]


class _Entry(TypedDict):
    version: int
    when: Annotated[str, "ISO 8601"]
    reader: Annotated[str, "initials"]
    verdict: str


class Read(_Entry):
    """A read as it was saved, with what stood before and after it."""

    note: str
    reason: str
    remark: Annotated[str, "what of it is left out now; else empty"]
    before: Content
    after: Content
    run: Annotated[str | None, "first digits of the earlier run that the read was made on"]


class EarlierRead(Read):
    """A read of an earlier run of the film that does not stand."""

    outcome: Annotated[str, "why it does not stand"]


class Theirs(_Entry, Content):
    """What somebody saved in the meantime."""


class Yours(_Kept):
    """What was to be saved."""

    version: int
    verdict: str


class Overtaken(TypedDict):
    """409: somebody saved in the meantime; nothing was saved."""

    error: str
    theirs: Theirs
    yours: Yours


class InOtherHands(TypedDict):
    """409: another reader has the foot in hand; nothing was saved."""

    error: str
    claim: ClaimState


class Refusal(TypedDict):
    """Any other status that is no success."""

    error: Annotated[str, "what is wrong and what to do, for a reader"]

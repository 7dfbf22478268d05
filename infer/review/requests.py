"""What the page may send, checked before anything looks at it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, field_validator

from raysplay.configs.load import landmark_schema
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.study import Initials
from raysplay.measure.sides import Side

Verdict = Literal["confirm", "correct", "cannot_be_measured", "wrong_side", "wrong_view", "reopen"]

_LONGEST = review_settings().text_characters


class _Sent(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PointSent(_Sent):
    """A landmark as the page has it, pixels of the film; null where it is not placed."""

    code: str
    x: FiniteFloat | None
    y: FiniteFloat | None
    visible: bool = True
    moved: bool = False

    @field_validator("code")
    @classmethod
    def _exists(cls, code: str) -> str:
        if code not in landmark_schema().codes:
            raise ValueError("no such landmark")
        return code


Points = Annotated[tuple[PointSent, ...], Field(max_length=200)]


class ReaderSent(_Sent):
    """Who sits before the page."""

    initials: Annotated[Initials, "one to eight letters or digits"]


Measure = Annotated[str, Field(max_length=60)]
Run = Annotated[str, Field(max_length=64)]


class MeasureSent(_Sent):
    """Points to be measured; what is left out stays as the server has it."""

    id: Annotated[int, Field(ge=1)]
    run: Annotated[Run | None, "what the page was made for"] = None
    version: Annotated[Annotated[int, Field(ge=0)] | None, "what the page was made for"] = None
    construction: Annotated[str, Field(max_length=40)] | None = None
    grading: Annotated[str, Field(max_length=40)] | None = None
    side: Annotated[Side | None, "what the foot is called"] = None
    anew: Annotated[bool | None, "the model's points do not count, what no hand placed lies nowhere"] = None
    accepted: Annotated[
        Annotated[dict[Measure, FiniteFloat | None], Field(max_length=100)] | None,
        "measures to be given though they are held back, as long as they have the number that was accepted; null to "
        "look at it",
    ] = None
    compared: Annotated[Annotated[int, Field(ge=1)] | None, "a foot of another film to compare with"] = None
    points: Points = ()


class ReadSent(_Sent):
    """A verdict on the version the reader saw, in the run that the page was made for."""

    run: Annotated[Run | None, "what the page was made for"] = None
    version: Annotated[int, Field(ge=0), "the one that the page loaded"]
    verdict: Verdict
    reason: Annotated[str, Field(max_length=_LONGEST)] = ""
    request: Annotated[
        str,
        Field(max_length=64),
        "any text that marks this save: sent again because the answer was lost, it is answered like the first time",
    ] = ""
    note: Annotated[str, Field(max_length=_LONGEST)] = ""
    construction: Annotated[str, Field(max_length=40)] | None = None
    side: Side | None = None
    anew: bool | None = None
    accepted: Annotated[
        Annotated[dict[Measure, FiniteFloat], Field(max_length=100)] | None,
        "the measures that the reader takes though they are held back, each with the number that was shown; those left "
        "out of it are taken no more. Without it, what was accepted stays so where the measure stands on the same "
        "points",
    ] = None
    points: Points = ()

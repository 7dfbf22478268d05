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
    initials: Initials


Measure = Annotated[str, Field(max_length=60)]
Run = Annotated[str, Field(max_length=64)]


class MeasureSent(_Sent):
    """Points to be measured; what is left out stays as the server has it.

    ``side`` names the foot. ``anew``: the points of the model do not count, what no hand placed lies nowhere.
    ``accepted``: measures to be given though they are held back, as long as they have the number that was accepted;
    null to look at it. ``compared``: a foot of another film to compare with. ``run`` and ``version``: what the page was
    made for.
    """

    id: Annotated[int, Field(ge=1)]
    run: Run | None = None
    version: Annotated[int, Field(ge=0)] | None = None
    construction: Annotated[str, Field(max_length=40)] | None = None
    grading: Annotated[str, Field(max_length=40)] | None = None
    side: Side | None = None
    anew: bool | None = None
    accepted: Annotated[dict[Measure, FiniteFloat | None], Field(max_length=100)] | None = None
    compared: Annotated[int, Field(ge=1)] | None = None
    points: Points = ()


class ReadSent(_Sent):
    """A verdict on the version the reader saw, in the run that the page was made for.

    ``accepted``: the measures that the reader takes though they are held back, each with the number that was shown;
    those left out of it are taken no more.
    """

    run: Run | None = None
    version: Annotated[int, Field(ge=0)]
    verdict: Verdict
    reason: Annotated[str, Field(max_length=_LONGEST)] = ""
    request: Annotated[str, Field(max_length=64)] = ""
    note: Annotated[str, Field(max_length=_LONGEST)] = ""
    construction: Annotated[str, Field(max_length=40)] | None = None
    side: Side | None = None
    anew: bool | None = None
    accepted: Annotated[dict[Measure, FiniteFloat], Field(max_length=100)] | None = None
    points: Points = ()

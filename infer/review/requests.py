"""What the page may send, checked before anything looks at it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, field_validator

from raysplay.configs.load import landmark_schema
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.study import Initials

Verdict = Literal["confirm", "correct", "cannot_be_measured", "wrong_side", "wrong_view", "reopen"]
Side = Literal["L", "R"]

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


class MeasureSent(_Sent):
    """Points to be measured; what is left out stays as the server has it."""

    id: Annotated[int, Field(ge=1)]
    construction: Annotated[str, Field(max_length=40)] | None = None
    grading: Annotated[str, Field(max_length=40)] | None = None
    side: Side | None = None
    points: Points = ()


class ReadSent(_Sent):
    """A verdict on the version the reader saw."""

    version: Annotated[int, Field(ge=0)]
    verdict: Verdict
    reason: Annotated[str, Field(max_length=_LONGEST)] = ""
    request: Annotated[str, Field(max_length=64)] = ""
    note: Annotated[str, Field(max_length=_LONGEST)] = ""
    construction: Annotated[str, Field(max_length=40)] | None = None
    side: Side | None = None
    points: Points = ()

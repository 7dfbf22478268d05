"""What the desk's page may send, checked before anything looks at it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat

from raysplay.infer.clinic.settings import clinic_settings

Worn = Literal["", "nothing", "splint", "spacer", "orthosis", "tape"]
Loading = Literal["", "full", "partial", "simulated", "none", "unknown"]
Surgery = Literal["", "before", "after"]
Stance = Literal["", "gait", "parallel", "other"]
Beam = Literal["", "one foot", "between feet"]
Marker = Literal["", "exposed", "added", "none"]
Kind = Literal["report", "letter", "sheet"]
Language = Literal["en", "de"]
Paper = Literal["A4", "Letter"]
Why = Literal["wrong_person", "private", "mistake"]

_Text = Annotated[str, Field(max_length=clinic_settings().text_characters)]


class _Sent(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class StatementSent(_Sent):
    """What a person states of a film, whole: what is left out is stated no more."""

    version: Annotated[int, Field(ge=0), "the one that the page loaded"]
    person: Annotated[str, Field(max_length=60), "a code, never a name"] = ""
    taken: Annotated[str, Field(max_length=10), "day of the film, ISO 8601"] = ""
    worn: Worn = ""
    loading: Loading = ""
    tilt: Annotated[FiniteFloat | None, "tube tilt, degrees toward the heel"] = None
    surgery: Surgery = ""
    note: Annotated[str, Field(max_length=300)] = ""
    stance: Annotated[Stance, "`gait`: the person's own angle and base of gait"] = ""
    beam: Beam = ""
    distance: Annotated[FiniteFloat | None, "tube to detector, centimetres"] = None
    marker: Marker = ""


class WithdrawalSent(_Sent):
    """Take a film off the desk."""

    why: Annotated[Why, "`wrong_person`: another person's film; `private`: no film of a foot, or a private picture"]
    papers: Annotated[
        list[Annotated[int, Field(ge=1)]], Field(max_length=10_000), "that stand on it, as the page has shown them"
    ] = []
    delete_papers: Annotated[bool, "their files go with it"] = False


class MeasuringSent(_Sent):
    """Measure what has come."""

    anew: Annotated[bool, "every film again, as this version of the program reads it; reads of people stay"] = False


class LanguageSent(_Sent):
    """In which language the desk opens from now on."""

    language: Language


class DocumentSent(_Sent):
    """A report or a letter to be written, or looked at first."""

    kind: Kind
    language: Language = "en"
    paper: Paper = "A4"
    fields: Annotated[dict[Annotated[str, Field(max_length=20)], _Text], Field(max_length=20)] = {}
    confirm: Annotated[bool, "the reader stands for it"] = False
    ground: Annotated[str, Field(max_length=64), "of the person's answer that the page shows"] = ""

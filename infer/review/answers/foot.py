"""A foot with its film, its points and its reads, and other films of it."""

from __future__ import annotations

from typing import Annotated

from typing_extensions import TypedDict

from raysplay.infer.review.answers.measurements import BlindMeasurements, OpenMeasurements
from raysplay.infer.review.answers.reads import ClaimState, EarlierRead, Read
from raysplay.infer.review.answers.said import Decision, Said, State


class Place(TypedDict):
    """A place on the film, in its pixels."""

    x: float
    y: float


class FootPoint(TypedDict):
    """A landmark of a foot, in pixels of the film; null where it is not placed or has no spread."""

    code: str
    x: float | None
    y: float | None
    visible: bool
    moved: Annotated[bool, "placed by hand"]
    model_x: float | None
    model_y: float | None
    var_x: Annotated[float | None, "square pixels"]
    cov_xy: Annotated[float | None, "square pixels"]
    var_y: Annotated[float | None, "square pixels"]
    confidence: Annotated[float | None, "of the model, 0 to 1"]
    doubtful: Annotated[bool, "the model is unsure and no hand placed it"]


class Companion(TypedDict):
    """Another foot of the same film, as it is called now."""

    id: int
    foot: str
    renamed: bool
    state: State


class FootShared(TypedDict):
    """What every review tells of a foot."""

    id: int
    run: Annotated[str, "identity of the run"]
    foot: Annotated[str, "what it is called: L, R or empty"]
    side_by: Annotated[str | None, "the reader who said so; null where that is the model"]
    anew: Annotated[bool, 'the model\'s points do not count, see "wrong side"']
    rows: int
    columns: int
    row_mm: float | None
    column_mm: float | None
    aspect: Annotated[float, "row / column distance"]
    film_notice: Annotated[str | None, "a sentence: the file is missing, or changed since the run"]
    outline: Annotated[
        list[tuple[float, float]] | None,
        "the upright crop of the foot, refused ones too: distal medial, distal lateral, proximal lateral, "
        "proximal medial; may reach beyond the film",
    ]
    state: State
    version: Annotated[int, "0 before the first read"]
    construction: str
    points: Annotated[list[FootPoint], "in the schema's order; in a blind study only those that the reader placed"]
    note: str
    reason: str
    remark: Annotated[str, "what of an earlier version's read is left out; else empty"]
    history: Annotated[list[Read], "oldest first; empty in a blind study"]


class _Placed(FootShared):
    film_id: int
    remarks: list[Said]
    claim: ClaimState | None
    next: Annotated[int | None, "by FILTER; films of the next feet are decoded ahead"]
    previous: Annotated[int | None, "by FILTER"]


class OpenFoot(_Placed):
    """A foot outside blind studies."""

    film: str
    foot_index: int
    measured: OpenMeasurements
    companions: list[Companion]
    decision: Decision
    reasons: list[Said]
    earlier: Annotated[list[EarlierRead], "reads of earlier runs of this film that do not stand"]


class BlindFoot(_Placed):
    """A foot of a blind study."""

    film: None
    foot_index: None
    measured: BlindMeasurements


Foot = Annotated[OpenFoot | BlindFoot, "A foot."]


class OtherFoot(TypedDict):
    """The same foot of the same person on another film."""

    id: int
    film: str
    taken: Annotated[str | None, "ISO 8601"]
    foot: str
    state: State
    unfit: Annotated[str | None, "a sentence: refused, cannot be measured, wrong view"]


class Others(TypedDict):
    """Other films of the same person that show the same foot."""

    why: Annotated[str | None, "why there is none: no identifier in the file, no other film, ..."]
    person: Annotated[str | None, "first digits of the run's code of the person"]
    taken: Annotated[str | None, "day of this film, ISO 8601"]
    feet: Annotated[list[OtherFoot], "the nearest in time first, up to 50"]

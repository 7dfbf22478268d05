"""The worklist: its rows, its counts, and how far it is."""

from __future__ import annotations

from typing import Annotated

from typing_extensions import TypedDict

from raysplay.infer.review.answers.said import Decision, Said, State


class Interval(TypedDict):
    """A number as it stands: after a correction, the corrected one; null where it is withheld.

    Degrees and mm with one decimal, ratios with three.
    """

    value: float | None
    low: float | None
    high: float | None


class WorklistRow(TypedDict):
    """A row without its number and who has it in hand."""

    film: str
    foot: Annotated[str, "what it is called: L, R, empty where none was found; after a read what its reader said"]
    foot_index: int
    state: State
    decision: Decision
    reasons: list[Said]
    values: Annotated[dict[str, Interval], "by measure"]
    widest: Annotated[float | None, "widest interval of an angle, degrees"]
    border: Annotated[float | None, "distance to the nearest border of the default grading, or end of a scale"]
    borderline: Annotated[bool, "an interval reaches over a border"]
    version: Annotated[int, "0 before the first read"]


class OpenWorklistFoot(WorklistRow):
    """A row outside blind studies."""

    id: int
    claimed_by: Annotated[str | None, "initials"]


class BlindWorklistFoot(TypedDict):
    """A row of a blind study."""

    id: int
    foot: str
    state: State
    version: int


WorklistFoot = Annotated[OpenWorklistFoot | BlindWorklistFoot, "A row of the worklist."]


class OpenCounts(TypedDict):
    """Counts outside blind studies."""

    state: dict[str, int]
    decision: dict[str, int]
    side: dict[str, int]
    reason: Annotated[dict[str, int], "by kind"]
    found: Annotated[dict[str, int], "foot: rows in which a foot was found; none: files without one"]


class BlindCounts(TypedDict):
    """Counts of a blind study."""

    state: dict[str, int]


Counts = Annotated[
    OpenCounts | BlindCounts, "How many feet each choice of a filter would leave with the other filters as they are."
]


class OpenFeet(TypedDict):
    """A page of the worklist outside blind studies."""

    total: int
    counts: OpenCounts
    feet: list[OpenWorklistFoot]


class BlindFeet(TypedDict):
    """A page of the reader's own order."""

    total: int
    counts: BlindCounts
    feet: list[BlindWorklistFoot]


Feet = Annotated[OpenFeet | BlindFeet, "A page of the worklist; `total` feet pass the filter."]


class Neighbour(TypedDict):
    """The next or previous foot."""

    id: int | None


class Tally(TypedDict):
    """How many are open, settled, and all."""

    open: int
    done: int
    total: int


class BlindProgress(Tally):
    """The reader's own reads."""

    by_reader: dict[str, int]


class OpenProgress(BlindProgress):
    """All rows, whoever settled them."""

    files: Annotated[Tally, "those among them in which no foot was found"]


Progress = Annotated[OpenProgress | BlindProgress, "How far the worklist is; `by_reader`: settled, by initials."]

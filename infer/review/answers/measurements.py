"""Numbers of a foot: measures, axes, grades, and what differs from another film."""

from __future__ import annotations

from typing import Annotated, Literal

from typing_extensions import TypedDict


class Held(TypedDict):
    """Why a number is held back."""

    cause: Annotated[str, "as in `feet.csv`; `side`: the points lie as on the other foot than the run measured"]
    words: str
    by_run: Annotated[bool, "the run withheld it; else it is held since another construction was chosen"]
    points: Annotated[list[str], "codes of the landmarks that it waits for"]
    acceptable: Annotated[bool, "there is a number"]


class _Measured(TypedDict):
    name: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    construction: str
    withheld: Annotated[str | None, "a sentence"]


class OpenMeasured(_Measured):
    """A measure of a foot outside blind studies."""

    held: Held | None
    accepted: Annotated[str | None, "initials of who took the number though it is held back"]
    proven: Annotated[bool, "as in `feet.csv`"]
    low_confidence: Annotated[bool, "as in `feet.csv`"]


class BlindMeasured(_Measured):
    """A measure of a blind read; it has no number."""

    implausible: Annotated[bool, "its value, which is not told, lies beyond `plausible`"]


Measured = Annotated[OpenMeasured | BlindMeasured, "A measure of a foot."]

Axis = TypedDict(
    "Axis",
    {
        "name": str,
        "title": str,
        "from": Annotated[tuple[float, float], "x, y of its proximal end"],
        "to": Annotated[tuple[float, float], "x, y of its distal end"],
    },
)
Axis.__doc__ = "An axis on the film."


class Grade(TypedDict):
    """Grade of a measure; nothing withheld has one."""

    measure: str
    grade: Annotated[str, "empty where the scheme was not made for the value"]
    why: Annotated[str | None, "why there is no grade"]
    border: Annotated[float | None, "the one nearest to the value"]
    distance: float | None
    borderline: Annotated[bool, "the error, the reader's published or this reading's own, reaches over the border"]


class _Measurements(TypedDict):
    side: Annotated[str, "what the foot is called: L, R or empty; it has no part in any number"]
    shown_as: Annotated[str, "as which side the points show it: L, R or empty"]
    axes: list[Axis]
    grading: str
    grades: list[Grade]


class OpenMeasurements(_Measurements):
    """What a foot measures outside blind studies."""

    measures: list[OpenMeasured]


class BlindMeasurements(_Measurements):
    """What is said of the points of a blind read; no grades, and `shown_as` is empty."""

    measures: list[BlindMeasured]


Measurements = Annotated[OpenMeasurements | BlindMeasurements, "What a foot measures."]


class Change(TypedDict):
    """What differs in a measure between two films."""

    name: str
    other: Annotated[float | None, "the other film's number"]
    difference: float | None
    low: float | None
    high: float | None
    reader_mdc: Annotated[
        float | None,
        "change that the published error of readers alone exceeds once in 20 times; null where none is published",
    ]
    mdc: Annotated[
        float | None,
        "smallest change that counts as beyond error: the larger one of that of readers and that of both reads, with "
        "what another film of an unchanged foot gives where that is known",
    ]
    holds_new_film: Annotated[bool, "whether what another film of an unchanged foot gives is in it"]
    verdict: Annotated[
        str,
        "`beyond error`, `within error`, `not comparable`; the first two after `positional, ` where two films of one "
        "day differ in load or in what was worn",
    ]
    why: Annotated[str | None, "why not comparable: withheld, different constructions, ..."]


class Changes(TypedDict):
    """What differs between two films of a foot."""

    later: Annotated[
        Literal["here", "there"] | None,
        "which film is the later one, by their days; the difference is the later one less the earlier one, "
        "or this one less the other where that is not known",
    ]
    why: Annotated[str | None, "why nothing is compared: one of the feet is unfit"]
    caveats: Annotated[list[str], "what is not known of the films and might have moved the numbers"]
    measures: list[Change]


class Comparison(Changes):
    """What differs from the foot that is compared with."""

    id: Annotated[int, "of the other foot"]
    taken: Annotated[str | None, "day of the other film, ISO 8601"]
    version: Annotated[int, "of the other foot"]


class _OfStanding(TypedDict):
    id: int
    run: Annotated[str, "identity of the run"]
    version: Annotated[int, "what stands, whatever was sent"]


class OpenMeasuredNow(_OfStanding, OpenMeasurements):
    """What points measure as they were sent, outside blind studies."""

    comparison: Annotated[Comparison | None, "only where `compared` was sent"]


class BlindMeasuredNow(_OfStanding, BlindMeasurements):
    """What is said of points of a blind read as they were sent."""


MeasuredNow = Annotated[OpenMeasuredNow | BlindMeasuredNow, "What points measure as they were sent."]

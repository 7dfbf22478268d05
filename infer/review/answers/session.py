"""What the page needs once: the run, its measures and their words."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired

from typing_extensions import TypedDict


class RunAbout(TypedDict):
    """The run that is reviewed."""

    name: Annotated[str, "of its folder"]
    identity: Annotated[str, "SHA-256 of run.json"]
    films: int
    feet: int
    notices: Annotated[list[str], "weights or configuration changed, earlier reads, ..."]


class Study(TypedDict):
    """A blind study, as its reader sees it."""

    name: str
    reads_total: int
    reads_done: int
    landmarks: Annotated[list[str], "codes to be placed"]


class Landmark(TypedDict):
    """One landmark of the schema."""

    code: str
    bone: str
    axis: Annotated[str, "bone as axes name it"]
    text: str
    needed: Annotated[bool, "a reported measure stands on it"]


AxisLandmarks = TypedDict(
    "AxisLandmarks",
    {
        "name": str,
        "title": str,
        "from": Annotated[list[str], "codes; an end is the mean of its landmarks"],
        "to": Annotated[list[str], "codes"],
    },
)
AxisLandmarks.__doc__ = "An axis by its landmarks."


class Published(TypedDict):
    """What published groups show of a measure without a grade."""

    brief: str
    says: Annotated[list[str], "sentences, each with its source"]


class Measure(TypedDict):
    """A measure that the run reports."""

    name: str
    abbreviation: str
    title: str
    unit: str
    definition: str
    reference: Published | None
    drawn: Annotated[bool, "on the film"]
    plausible: Annotated[tuple[float, float] | None, "values beyond are taken to be mistakes"]
    landmarks: Annotated[dict[str, list[str]], "codes by construction"]


class Construction(TypedDict):
    """A way to draw the axes."""

    name: Annotated[str, '"run": mixed, as the run\'s protocol has it']
    title: str


GradeBand = TypedDict(
    "GradeBand",
    {
        "grade": str,
        "from": NotRequired[Annotated[float, "the border belongs to the grade; of the lowest grade it is an end"]],
        "above": NotRequired[Annotated[float, "the border does not belong to it"]],
        "up_to": NotRequired[Annotated[float, "end of the highest grade"]],
    },
)
GradeBand.__doc__ = "A grade of a scale, with the border at which it begins."


class GradingScheme(TypedDict):
    """A scheme of grades."""

    name: str
    title: str
    cited: str
    scales: Annotated[dict[str, list[GradeBand]], "by measure, the lowest grade first"]


class Colours(TypedDict):
    """Colours on the film, those of the overlays (`overlay_style.py`), as CSS has them."""

    bones: Annotated[dict[str, str], "by axis"]
    other: str
    doubtful: str
    arc: str


class Caution(TypedDict):
    """What stands on every page; go by the kind, not by the words."""

    kind: Annotated[Literal["device", "use"], "what the program is not, or what a person has to do"]
    text: str


class Session(TypedDict):
    """What the page needs once."""

    run: RunAbout
    reader: Annotated[str | None, "initials"]
    study: Study | None
    schema: list[Landmark]
    bones: Annotated[dict[str, str], "words for the schema's bones"]
    axes: Annotated[dict[str, list[AxisLandmarks]], "by construction"]
    measures: list[Measure]
    construction: str
    constructions: list[Construction]
    grading: list[GradingScheme]
    grading_default: str
    level: Annotated[float, "of the intervals and of the oval round a point, 0.9"]
    reason_kinds: Annotated[dict[str, str], "every kind of reason, and its words in a list of kinds"]
    reasons_not_measurable: Annotated[list[str], "offered as reasons"]
    claim_seconds: float
    cautions: Annotated[list[Caution], "on every page and sheet"]
    colours: Colours
    clinic: Annotated[bool, "films are dropped, and persons kept, on this server, too: its page is `/desk`"]


class SignedIn(TypedDict):
    """A reader who stated initials."""

    reader: Annotated[str, "in capitals"]

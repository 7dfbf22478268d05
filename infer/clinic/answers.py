"""What the desk's page is told."""

from __future__ import annotations

from typing import Annotated, Literal

from typing_extensions import TypedDict

from raysplay.infer.clinic.requests import Kind, Why
from raysplay.infer.review.answers import Decision, State

Stage = Literal["idle", "waiting", "loading", "measuring", "held", "writing", "failed"]


class HowFar(TypedDict):
    """How far measuring is."""

    stage: Annotated[Stage, "`held`: films are read, and wait until nobody has a foot in hand"]
    done: int
    total: int
    error: Annotated[str, "why it failed; else empty"]


class ClinicState(TypedDict):
    """The desk as a whole."""

    reader: Annotated[str | None, "initials; null before they are stated"]
    films: Annotated[int, "that are here"]
    withdrawn: Annotated[int, "films that were taken off the desk"]
    waiting: Annotated[int, "not measured yet"]
    measuring: HowFar
    measured: Annotated[str, "identity of the run, empty before the first; another one when films were added"]
    trouble: Annotated[str, "a sentence, where what was measured cannot be opened; else empty"]
    persons: int
    nobody: Annotated[int, "films of which nobody says whose they are"]
    open: Annotated[int, "feet that nobody has settled"]
    settled: Annotated[int, "feet that are settled"]
    upload_bytes: Annotated[int, "largest file that is taken"]


class Arrival(TypedDict):
    """What became of a file that was dropped, or of a member of a ZIP archive."""

    given: Annotated[str, "as it was called where it came from"]
    film: Annotated[int | None, "its number; null where it was left out"]
    known: Annotated[bool, "the desk had it already"]
    why: Annotated[str, "why it was left out; else empty"]


class ClinicFoot(TypedDict):
    """A foot on a film, or the film's row where none was found."""

    id: Annotated[int, "as `/api/feet/{id}` takes it"]
    foot: Annotated[str, "what it is called: L, R or empty"]
    state: State
    decision: Decision
    found: Annotated[bool, "there is a foot"]
    numbers: Annotated[list[str], "measures with their values, in words; none that is withheld"]
    reasons: Annotated[list[str], "of the decision"]


class Stated(TypedDict):
    """What holds of a film by statement; version 0 says nothing."""

    version: int
    at: Annotated[str, "ISO 8601; empty where nothing was stated"]
    by: str
    person: str
    person_by: Annotated[str, "who said last whose film it is; empty where only the file does"]
    taken: str
    worn: str
    loading: str
    tilt: float | None
    surgery: str
    note: str
    stance: str
    beam: str
    distance: float | None
    marker: str


class ClinicFilm(TypedDict):
    """A film of the desk."""

    number: int
    name: Annotated[str, "that the desk gave it"]
    given: Annotated[str, "as it was called where it came from; in no report"]
    arrived: Annotated[str, "ISO 8601"]
    by: Annotated[str, "initials of who dropped it"]
    here: Annotated[bool, "its file lies in the desk's folder"]
    measured: bool
    film_id: Annotated[int | None, "as `/api/films/{id}` takes it"]
    person: Annotated[str, "what the person is called; empty where nobody says whose film it is"]
    file_person: Annotated[str, "first digits of the run's code of the person in the file; empty where it has none"]
    taken: Annotated[str, "day, by statement or file; ISO 8601, empty where unknown"]
    file_taken: Annotated[str, "day by the file"]
    file_loading: Annotated[str, "by the file"]
    loading: Annotated[str, "by statement or file"]
    stated: Stated
    feet: list[ClinicFoot]


class ClinicFilms(TypedDict):
    """Films, the latest first."""

    total: int
    films: list[ClinicFilm]


class ClinicPerson(TypedDict):
    """A person in the list."""

    called: Annotated[str, "a code: stated, or that of the file"]
    films: int
    last: Annotated[str, "day of the last film"]
    open: Annotated[int, "feet that nobody has settled"]
    documents: int


class ClinicStep(TypedDict):
    """Two films of one foot compared, as the report does it."""

    side: str
    measure: str
    first: Annotated[str, "day"]
    second: Annotated[str, "day"]
    first_how: Annotated[str, "what was worn, and the load, in words; empty where not stated"]
    second_how: str
    difference: Annotated[str, "with its unit; empty where not comparable"]
    verdict: str
    positional: Annotated[bool, "films of one day: position, never progress"]


class ClinicDocument(TypedDict):
    """A report or a letter that was written."""

    id: int
    person: str
    kind: Kind
    language: str
    at: Annotated[str, "ISO 8601"]
    by: str
    confirmed: bool
    stale: Annotated[bool, "a number, or what is stated, is another since, or a film that it stands on is gone"]
    withdrawn: Annotated[bool, "a film that it stands on was taken off the desk"]
    deleted_at: Annotated[str, "when its files were deleted; ISO 8601, empty where they were not"]
    deleted_by: str
    name: str
    page: Annotated[str | None, "address of the page, for some minutes; null where its file is gone"]
    pdf: Annotated[str | None, "the same of the PDF"]


class OnePerson(TypedDict):
    """A person with all that the desk has of them."""

    called: str
    ground: Annotated[str, "digest of what a report stands on"]
    films: list[ClinicFilm]
    steps: list[ClinicStep]
    unconfirmed: Annotated[list[str], "feet with numbers that nobody stands for"]
    left_out: Annotated[list[str], "films and feet that are in no report, and why"]
    reportable: Annotated[bool, "at least one foot has a day and a side"]
    documents: list[ClinicDocument]
    letter: Annotated[dict[str, str], "fields of the last letter, to begin the next one with"]


class Spoken(TypedDict):
    """In which language the desk opens."""

    language: str


class ClinicWithdrawn(TypedDict):
    """A film that was taken off the desk."""

    number: int
    at: Annotated[str, "ISO 8601"]
    by: str
    why: Why
    papers: Annotated[list[ClinicDocument], "that stood on it"]


class Handed(TypedDict):
    """A page that can be opened for some minutes."""

    page: str
    pdf: str


class Written(TypedDict):
    """A report or a letter that is on disk."""

    document: ClinicDocument


__all__ = [
    "Arrival",
    "ClinicDocument",
    "ClinicFilm",
    "ClinicFilms",
    "ClinicFoot",
    "ClinicPerson",
    "ClinicState",
    "ClinicStep",
    "ClinicWithdrawn",
    "Handed",
    "HowFar",
    "OnePerson",
    "Spoken",
    "Stage",
    "Stated",
    "Written",
]

"""The calls of the desk's page, beside those of the review."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import unquote

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import JSONResponse

from raysplay.infer.clinic import answers
from raysplay.infer.clinic.clinic import Clinic
from raysplay.infer.clinic.desk_answers import DeskAnswers
from raysplay.infer.clinic.desk_folder import DeskFolderError
from raysplay.infer.clinic.desk_language import choose_language
from raysplay.infer.clinic.documents import Documents
from raysplay.infer.clinic.intake import DiskFullError, IntakeError, Taken, TooLargeError
from raysplay.infer.clinic.records import StaleStatementError
from raysplay.infer.clinic.requests import (
    DocumentSent,
    Language,
    LanguageSent,
    MeasuringSent,
    Paper,
    StatementSent,
    WithdrawalSent,
)
from raysplay.infer.clinic.withdrawal import UnfinishedWithdrawalError
from raysplay.infer.review.calls import InSession, Reader, Text
from raysplay.infer.review.in_language import asked_for
from raysplay.infer.review.refused import UnknownFootError
from raysplay.infer.visit.language import language

FILM_NAME = "X-Film-Name"
"""Header with the name of a dropped file, percent-encoded: it is text, and never part of a path."""

UPLOAD = "/api/clinic/films"

_AS_IT_IS: dict[str, Any] = {"response_model": dict[str, Any]}
_LIST: dict[str, Any] = {"response_model": list[dict[str, Any]]}


class ClinicServed:
    """A desk with what the calls need of it."""

    def __init__(self, clinic: Clinic, documents: Documents) -> None:
        self.clinic, self.documents = clinic, documents


def _served(request: Request) -> ClinicServed:
    served: ClinicServed | None = getattr(request.app.state, "clinic", None)
    if served is None:
        raise UnknownFootError("there is nothing here")
    return served


def _told(request: Request) -> DeskAnswers:
    served = _served(request)
    return DeskAnswers(served.clinic, served.documents, language(asked_for(request.headers.get("accept-language"))))


AtClinic = Annotated[ClinicServed, Depends(_served)]
Told = Annotated[DeskAnswers, Depends(_told)]
Person = Annotated[str, Query(max_length=60)]

router = APIRouter(prefix="/api/clinic")


@router.get("", **_AS_IT_IS)
def state(told: Told, session: InSession) -> answers.ClinicState:
    """The desk as a whole, and how far measuring is."""
    return told.state(session.reader)


@router.post("/language", **_AS_IT_IS)
def speak(at: AtClinic, sent: LanguageSent, session: InSession) -> answers.Spoken:
    """Open the desk in another language, now and at later starts."""
    choose_language(at.clinic.folder, sent.language)
    return {"language": sent.language}


@router.post("/films", status_code=201, response_model=list[dict[str, Any]])
async def take(at: AtClinic, request: Request, reader: Reader) -> list[answers.Arrival]:
    """Take in a file: its bytes as the body, its name in the header `X-Film-Name`, percent-encoded."""
    given = unquote(request.headers.get(FILM_NAME, ""))
    announced = int(request.headers.get("content-length", "0"))
    with at.clinic.measuring.arriving():
        taken = await at.clinic.intake.take(given, reader, request.stream(), announced)
    if any(one.film is not None for one in taken):
        at.clinic.want()
    return [_arrival(one) for one in taken]


def _arrival(one: Taken) -> answers.Arrival:
    number = None if one.film is None else one.film.number
    return {"given": one.given, "film": number, "known": one.known, "why": one.why}


@router.post("/measuring", **_AS_IT_IS)
def measure(at: AtClinic, told: Told, sent: MeasuringSent, reader: Reader) -> answers.ClinicState:
    """Measure what has come; after a failure, try again."""
    at.clinic.want(anew=sent.anew)
    return told.state(reader)


@router.get("/films", **_AS_IT_IS)
def films(told: Told, session: InSession, text: Text = "") -> answers.ClinicFilms:
    """Films of the desk, the latest first; `text`: part of a name or of a person's code."""
    return told.films(text)


@router.get("/films/{number}", **_AS_IT_IS)
def film(told: Told, session: InSession, number: int) -> answers.ClinicFilm:
    """One film with all its feet."""
    return told.film(number)


@router.post("/films/{number}/statements", **_AS_IT_IS)
def state_film(at: AtClinic, told: Told, number: int, sent: StatementSent, reader: Reader) -> answers.ClinicFilm:
    """State of a film whose it is, when and how it was taken; what was stated before stays in its history."""
    at.clinic.state(number, sent.version, reader, sent.model_dump(exclude={"version"}))
    return told.film(number)


@router.get("/films/{number}/statements", **_LIST)
def statements(at: AtClinic, told: Told, session: InSession, number: int) -> list[answers.Stated]:
    """Everything that was ever stated of a film, oldest first."""
    at.clinic.arrived(number)
    return [told.stated(one) for one in at.clinic.records.history(number)]


@router.get("/films/{number}/papers", **_LIST)
def papers(at: AtClinic, told: Told, session: InSession, number: int) -> list[answers.ClinicDocument]:
    """Papers that stand on a film, the latest first: those that are out of date once it is taken off the desk."""
    return told.papers(at.clinic.papers_of(number))


@router.post("/films/{number}/withdrawal", **_LIST)
def withdraw(
    at: AtClinic, told: Told, number: int, sent: WithdrawalSent, reader: Reader
) -> list[answers.ClinicWithdrawn]:
    """Take a film off the desk with all that names it; what stays is told."""
    at.clinic.withdraw(number, reader, sent.why, sent.papers, delete_papers=sent.delete_papers)
    at.documents.forget_addresses()
    return told.withdrawn()


@router.get("/withdrawn", **_LIST)
def withdrawn(told: Told, session: InSession) -> list[answers.ClinicWithdrawn]:
    """Films that were taken off the desk, the latest first, and the papers that stood on them."""
    return told.withdrawn()


@router.post("/documents/{number}/deletion", **_LIST)
def delete_paper(at: AtClinic, told: Told, number: int, reader: Reader) -> list[answers.ClinicWithdrawn]:
    """Delete the files of a paper that stands on a film which was taken off; that it was written stays."""
    at.clinic.delete_paper(number, reader)
    at.documents.forget_addresses()
    return told.withdrawn()


@router.get("/persons", **_LIST)
def persons(told: Told, session: InSession) -> list[answers.ClinicPerson]:
    """All persons, those with the latest films first."""
    return told.persons()


@router.get("/person", **_AS_IT_IS)
def person(told: Told, session: InSession, called: Person) -> answers.OnePerson:
    """One person: films, what changed between them, what was written."""
    return told.person(called)


@router.post("/draft", **_AS_IT_IS)
def draft(at: AtClinic, sent: DocumentSent, called: Person, reader: Reader) -> answers.Handed:
    """A draft to look at, never confirmed; nothing is kept."""
    page, pdf = at.documents.look(called, sent, reader)
    return {"page": page, "pdf": pdf}


@router.post("/documents", **_AS_IT_IS)
def write(at: AtClinic, told: Told, sent: DocumentSent, called: Person, reader: Reader) -> answers.Written:
    """Write a report or a letter; answered once it is on disk."""
    one = at.documents.write(called, sent, reader, told.words)
    return {"document": told.document(one, one.ground)}


@router.get("/card", **_AS_IT_IS)
def card(at: AtClinic, session: InSession, language: Language = "en", paper: Paper = "A4") -> answers.Handed:
    """The card on taking films."""
    page, pdf = at.documents.card(language, paper)
    return {"page": page, "pdf": pdf}


def _of(status: int) -> Any:
    def handler(_: Request, error: Exception) -> JSONResponse:
        text = (
            str(error)
            or "Somebody stated something of this film meanwhile. Nothing was saved; look at it, then save again."
        )
        return JSONResponse({"error": text[:1].upper() + text[1:]}, status)

    return handler


FAILURES = {
    TooLargeError: _of(413),
    DiskFullError: _of(507),
    DeskFolderError: _of(507),
    IntakeError: _of(422),
    StaleStatementError: _of(409),
    UnfinishedWithdrawalError: _of(507),
}
"""What failures of these calls are answered with."""

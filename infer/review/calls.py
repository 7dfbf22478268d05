"""The calls of the review page: what may be asked, and the shape of what is answered.

A shape stands as the return type of its call. FastAPI is told not to check answers by it: an entry of an old store is
handed on as it was saved. Tests hold the answers of every call against it.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal
from urllib.parse import unquote

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response

from raysplay.infer.review import answers
from raysplay.infer.review.desk import Desk
from raysplay.infer.review.guard import Session
from raysplay.infer.review.refused import RefusedError, UnknownFootError
from raysplay.infer.review.requests import MeasureSent, ReaderSent, ReadSent
from raysplay.infer.review.worklist import Filter

PAGE_READER = "X-Reader"
"""Header by which a page says for whom it was opened: all pages of a browser share one key."""

LONGEST_FILTER = 200
"""Characters of one part of a filter."""

_AS_IT_IS: dict[str, Any] = {"response_model": dict[str, Any]}

Text = Annotated[str, Query(max_length=LONGEST_FILTER)]


def _desk(request: Request) -> Desk:
    desk: Desk | None = request.app.state.desk()
    if desk is None:
        raise RefusedError("no film was measured yet")
    return desk


def _session(request: Request) -> Session:
    session: Session = request.scope["session"]
    return session


def _reader(request: Request, session: Annotated[Session, Depends(_session)]) -> str:
    """Who reads; a page that was opened for somebody else saves and shows nothing in their name."""
    if session.reader is None:
        raise RefusedError("state your initials first")
    opened_for = unquote(request.headers.get(PAGE_READER, session.reader))
    if opened_for != session.reader:
        raise RefusedError(
            f"this page was opened for another reader: {session.reader} reads in this browser now. Nothing was saved; "
            "use two browsers, or load the page again"
        )
    return session.reader


def _viewer(
    request: Request, desk: Annotated[Desk, Depends(_desk)], session: Annotated[Session, Depends(_session)]
) -> str:
    """Outside studies a foot can be looked at before anybody has stated initials."""
    return _reader(request, session) if desk.needs_reader else session.reader or ""


def _filter(
    sort: Text = "doubt",
    descending: bool = False,
    state: Text = "",
    decision: Text = "",
    side: Text = "",
    reason: Text = "",
    text: Text = "",
    found: Literal["", "foot", "none"] = "",
) -> Filter:
    return Filter(sort, descending, state, decision, side, reason, text, found)


AtDesk = Annotated[Desk, Depends(_desk)]
InSession = Annotated[Session, Depends(_session)]
Reader = Annotated[str, Depends(_reader)]
Viewer = Annotated[str, Depends(_viewer)]
Wanted = Annotated[Filter, Depends(_filter)]

router = APIRouter(prefix="/api")


@router.get("/session", **_AS_IT_IS)
def session(desk: AtDesk, session: InSession, request: Request) -> answers.Session:
    """What the page needs once."""
    told = desk.session(session.reader)
    return {**told, "clinic": getattr(request.app.state, "clinic", None) is not None}


@router.post("/reader", **_AS_IT_IS)
def state_reader(sent: ReaderSent, session: InSession, request: Request) -> answers.SignedIn:
    """State initials; in a study they must be those of one of its readers."""
    desk: Desk | None = request.app.state.desk()
    if desk is not None:
        desk.check_change(session.reader, sent.initials)
    session.reader = sent.initials
    return {"reader": session.reader}


@router.get("/feet", **_AS_IT_IS)
def feet(
    desk: AtDesk,
    viewer: Viewer,
    wanted: Wanted,
    offset: Annotated[int, Query(ge=0)] = 0,
    limit: Annotated[int, Query(ge=0, le=1000)] = 50,
) -> answers.Feet:
    """One page of the worklist."""
    return desk.feet(viewer, wanted, offset, limit)


@router.get("/feet/{number}/next", **_AS_IT_IS)
def neighbour(desk: AtDesk, number: int, viewer: Viewer, wanted: Wanted, direction: Text = "next") -> answers.Neighbour:
    """The next or previous foot, counted from the foot's place in the order even if it passes the filter no more.

    Raises
    ------
    RefusedError
        If the direction is another word.
    """
    if direction not in ("next", "previous"):
        raise RefusedError("the direction is next or previous")
    return {"id": desk.neighbour(number, viewer, wanted, direction == "next")}


@router.get("/feet/{number}", **_AS_IT_IS)
def foot(desk: AtDesk, number: int, viewer: Viewer, wanted: Wanted) -> answers.Foot:
    """A foot with all that is known of it."""
    return desk.foot(number, viewer, wanted)


@router.get("/films/{number}/pixels")
def pixels(desk: AtDesk, number: int, viewer: Viewer) -> Response:
    """Grey values of a film."""
    picture = desk.picture(number, viewer)
    numbers = {"Rows": picture.rows, "Columns": picture.columns, "Black": picture.low, "White": picture.high}
    headers = {f"X-{name}": str(number) for name, number in numbers.items()}
    return Response(picture.data, media_type="application/octet-stream", headers=headers)


@router.post("/measure", **_AS_IT_IS)
def measure(desk: AtDesk, sent: MeasureSent, viewer: Viewer) -> answers.MeasuredNow:
    """Measures of points as the page has them; nothing is saved."""
    return desk.measure(sent, viewer)


@router.post("/feet/{number}/reads", **_AS_IT_IS)
def save(desk: AtDesk, number: int, sent: ReadSent, reader: Reader) -> answers.Saved:
    """Save a read; answered once it is on disk."""
    saved = desk.save(number, reader, sent)
    return {"version": saved.version, "state": saved.state, "when": saved.at}


@router.post("/feet/{number}/claim", **_AS_IT_IS)
def claim(desk: AtDesk, number: int, reader: Reader) -> answers.Claimed:
    """Take a foot in hand, or keep it."""
    return {"claim": desk.claim(number, reader)}


@router.delete("/feet/{number}/claim", **_AS_IT_IS)
def release(desk: AtDesk, number: int, reader: Reader) -> answers.Claimed:
    """Give a foot back."""
    desk.release(number, reader)
    return {"claim": None}


@router.get("/feet/{number}/history", response_model=list[dict[str, Any]])
def history(desk: AtDesk, number: int, viewer: Viewer) -> list[answers.Read]:
    """Every read that led to what stands, oldest first."""
    return desk.history(number, viewer)


@router.get("/feet/{number}/others", **_AS_IT_IS)
def others(desk: AtDesk, number: int, viewer: Viewer, text: Text = "") -> answers.Others:
    """Other films of the same person that show the same foot; `text`: part of a film's name."""
    return desk.others(number, viewer, text)


@router.get("/progress", **_AS_IT_IS)
def progress(desk: AtDesk, viewer: Viewer) -> answers.Progress:
    """How far the worklist is."""
    return desk.progress(viewer)


@router.api_route("/{rest:path}", methods=["GET", "POST", "PUT", "PATCH", "DELETE"], include_in_schema=False)
def _unknown(rest: str) -> None:
    """Whatever else is asked for."""
    raise UnknownFootError("there is nothing here")

"""The review page's server: ``API.md`` beside this file says what is asked and answered."""

from __future__ import annotations

import asyncio
import logging
import math
import mimetypes
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Literal, cast
from urllib.parse import unquote

import uvicorn
from fastapi import Depends, FastAPI, Query, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from raysplay.configs.plain_words import in_words, where
from raysplay.infer.review.blind_desk import BlindDesk
from raysplay.infer.review.connections import ACCEPTED_AT_ONCE, LARGEST_HEAD, Connections
from raysplay.infer.review.desk import OvertakenError, RefusedError, UnknownFootError
from raysplay.infer.review.films import FilmUnavailableError
from raysplay.infer.review.guard import Door, Guard, Session, addresses, internal_error, place_of
from raysplay.infer.review.open_desk import OpenDesk, claim_json
from raysplay.infer.review.requests import MeasureSent, ReaderSent, ReadSent
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.store import ClaimedError, StoreError
from raysplay.infer.review.worklist import Filter

HOST = "127.0.0.1"
PAGE = Path(__file__).parent / "page"
"""Files of the page itself."""

PAGE_READER = "X-Reader"
"""Header by which a page says for whom it was opened: all pages of a browser share one key."""

_LONGEST_FILTER = 200
_HELD = 2048
"""New connections that the system holds until they are accepted."""

# Browsers that may not guess run modules of this type only, whatever the system's own table says.
mimetypes.add_type("text/javascript", ".js")

log = logging.getLogger(__name__)

Json = dict[str, Any]
Text = Annotated[str, Query(max_length=_LONGEST_FILTER)]


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


def _viewer(request: Request, session: Annotated[Session, Depends(_session)]) -> str:
    """Outside studies a foot can be looked at before anybody has stated initials."""
    return _reader(request, session) if request.app.state.blind else session.reader or ""


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


InSession = Annotated[Session, Depends(_session)]
Reader = Annotated[str, Depends(_reader)]
Viewer = Annotated[str, Depends(_viewer)]
Wanted = Annotated[Filter, Depends(_filter)]


def application(desk: OpenDesk | BlindDesk) -> FastAPI:
    """The application, without its guard."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    _answer_errors(app)
    blind = desk if isinstance(desk, BlindDesk) else None
    plain = desk if isinstance(desk, OpenDesk) else None
    app.state.blind = blind is not None

    @app.get("/api/session")
    def session(session: InSession) -> Json:
        return desk.session(session.reader)

    @app.post("/api/reader")
    def state_reader(sent: ReaderSent, session: InSession) -> Json:
        if blind:
            blind.check_change(session.reader, sent.initials)
        session.reader = sent.initials
        return {"reader": session.reader}

    @app.get("/api/feet")
    def feet(
        viewer: Viewer,
        wanted: Wanted,
        offset: Annotated[int, Query(ge=0)] = 0,
        limit: Annotated[int, Query(ge=0, le=1000)] = 50,
    ) -> Json:
        return plain.feet(wanted, offset, limit) if plain else _blind(blind).feet(viewer, offset, limit)

    @app.get("/api/feet/{number}/next")
    def neighbour(number: int, viewer: Viewer, wanted: Wanted, direction: Text = "next") -> Json:
        if direction not in ("next", "previous"):
            raise RefusedError("the direction is next or previous")
        forward = direction == "next"
        if plain:
            return {"id": plain.neighbour(number, viewer, wanted, forward)}
        return {"id": _blind(blind).neighbour(number, viewer, forward)}

    @app.get("/api/feet/{number}")
    def foot(number: int, viewer: Viewer, wanted: Wanted) -> Json:
        return plain.foot(number, viewer, wanted) if plain else _blind(blind).foot(number, viewer)

    @app.get("/api/films/{number}/pixels")
    def pixels(number: int, viewer: Viewer) -> Response:
        picture = desk.picture(number, viewer)
        numbers = {"Rows": picture.rows, "Columns": picture.columns, "Black": picture.low, "White": picture.high}
        headers = {f"X-{name}": str(number) for name, number in numbers.items()}
        return Response(picture.data, media_type="application/octet-stream", headers=headers)

    @app.post("/api/measure")
    def measure(sent: MeasureSent, viewer: Viewer) -> Json:
        return desk.measure(sent, viewer)

    @app.post("/api/feet/{number}/reads")
    def save(number: int, sent: ReadSent, reader: Reader) -> Json:
        saved = desk.save(number, reader, sent)
        return {"version": saved.version, "state": saved.state, "when": saved.at}

    @app.post("/api/feet/{number}/claim")
    def claim(number: int, reader: Reader) -> Json:
        return {"claim": plain.claim(number, reader) if plain else None}

    @app.delete("/api/feet/{number}/claim")
    def release(number: int, reader: Reader) -> Json:
        if plain:
            plain.release(number, reader)
        return {"claim": None}

    @app.get("/api/feet/{number}/history")
    def history(number: int, viewer: Viewer) -> list[Json]:
        return desk.history(number, viewer)

    @app.get("/api/feet/{number}/others")
    def others(number: int, viewer: Viewer, text: Text = "") -> Json:
        if plain:
            return plain.others(number, viewer, text)
        return {"why": "Nothing is compared in a blind read.", "person": None, "taken": None, "feet": []}

    @app.get("/api/progress")
    def progress(viewer: Viewer) -> Json:
        return desk.progress(viewer)

    @app.api_route("/api/{rest:path}", methods=["GET", "POST", "PUT", "PATCH", "DELETE"])
    def unknown(rest: str) -> Json:
        raise UnknownFootError("there is nothing here")

    @app.get("/")
    def start() -> FileResponse:
        return FileResponse(PAGE / "index.html")

    # An editable installation links file by file; a path still cannot leave the folder.
    app.mount("/page", StaticFiles(directory=PAGE, follow_symlink=True))
    return app


def guarded(desk: OpenDesk | BlindDesk, door: Door, port: Callable[[], int]) -> Guard:
    """The application behind its guard; ``port`` is asked for with every request."""
    return Guard(application(desk), door, lambda: frozenset(addresses(port())), desk.settings.body_bytes)


class ReviewServer:
    """The server on 127.0.0.1.

    Parameters
    ----------
    desk : OpenDesk or BlindDesk
    door : Door
    port : int
        0 for any that is free.

    Raises
    ------
    OSError
        If the port is taken.
    """

    def __init__(self, desk: OpenDesk | BlindDesk, door: Door, port: int = 0) -> None:
        # With the protocol named, asyncio turns Nagle's algorithm off, which costs 40 ms an answer.
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.bind((HOST, port))
        self.port: int = self._socket.getsockname()[1]
        self.connections = Connections(desk.settings.connections)
        config = uvicorn.Config(
            guarded(desk, door, lambda: self.port),
            # Nothing of a request is logged: queries of the worklist may hold names of films.
            access_log=False,
            log_level="critical",
            server_header=False,
            ws="none",
            loop="asyncio",
            http=cast(Any, self.connections.protocol),
            h11_max_incomplete_event_size=LARGEST_HEAD,
            backlog=ACCEPTED_AT_ONCE,
            timeout_keep_alive=math.ceil(desk.settings.connections.idle_seconds),
            timeout_graceful_shutdown=3,
        )
        self._server = _Server(config)

    def address(self, token: str) -> str:
        """Address that opens a session."""
        return f"http://{HOST}:{self.port}/start?token={token}"

    def run(self) -> None:
        """Serve until interrupted or stopped."""
        self._server.run(sockets=[self._socket])

    def stop(self) -> None:
        """End :meth:`run` from another thread."""
        self._server.should_exit = True


class _Server(uvicorn.Server):
    """Lets the system hold more new connections than are accepted at once, so that none waits for its second try.

    A failure outside of any request is one line on the terminal, too.
    """

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        asyncio.get_running_loop().set_exception_handler(_tell)
        await super().startup(sockets)
        for listening in sockets or []:
            listening.listen(_HELD)


def _tell(_: asyncio.AbstractEventLoop, about: dict[str, Any]) -> None:
    error = about.get("exception")
    log.error("The review's server failed: %s", about.get("message", "") if error is None else place_of(error))


def _blind(desk: BlindDesk | None) -> BlindDesk:
    assert desk is not None
    return desk


_SENTENCES = {
    400: "the request is not JSON",
    404: "there is nothing here",
    405: "this cannot be asked in that way",
    413: "the request is too large",
}
"""What stands in an answer instead of the framework's own words."""


def _answer_errors(app: FastAPI) -> None:
    """Every failure is one sentence; nothing of the request or of the machine is repeated in it."""

    def answer(status: int, sentence: str, **rest: Any) -> JSONResponse:
        return JSONResponse({"error": sentence[:1].upper() + sentence[1:], **rest}, status)

    @app.exception_handler(UnknownFootError)
    def _unknown(_: Request, error: UnknownFootError) -> JSONResponse:
        return answer(404, str(error))

    @app.exception_handler(FilmUnavailableError)
    def _unavailable(_: Request, error: FilmUnavailableError) -> JSONResponse:
        return answer(404, str(error))

    @app.exception_handler(RefusedError)
    def _refused(_: Request, error: RefusedError) -> JSONResponse:
        return answer(422, str(error))

    @app.exception_handler(OvertakenError)
    def _overtaken(_: Request, error: OvertakenError) -> JSONResponse:
        return answer(409, str(error), theirs=error.theirs, yours=error.yours)

    @app.exception_handler(ClaimedError)
    def _claimed(_: Request, error: ClaimedError) -> JSONResponse:
        return answer(409, str(error), claim=claim_json(error.claim))

    @app.exception_handler(StoreError)
    def _store(_: Request, error: StoreError) -> JSONResponse:
        return answer(503, str(error))

    @app.exception_handler(RequestValidationError)
    def _malformed(_: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0]
        if first["loc"][:1] == ("path",):
            return answer(404, "there is nothing here")
        if first["type"] == "json_invalid":
            return answer(400, "the request is not JSON")
        place, words = where(first["loc"][1:]), in_words(first)
        if first["type"] == "value_error":
            return answer(422, words)  # said by this project, for the reader
        told = _SHORTEN.get(str(first["loc"][-1])) if first["type"] == "string_too_long" else None
        unfit = f"the request does not fit: {place} {words}" if place else f"the request {words}"
        return answer(422, told or f"{unfit}. Nothing was saved; load the page again")

    @app.exception_handler(HTTPException)
    def _http(_: Request, error: HTTPException) -> JSONResponse:
        return answer(error.status_code, _SENTENCES.get(error.status_code, "the request cannot be taken"))

    @app.exception_handler(Exception)
    def _failed(_: Request, error: Exception) -> JSONResponse:
        # It goes on to the guard, which tells the terminal.
        return answer(500, internal_error(error))


_SHORTEN = {
    "note": f"The note is longer than {review_settings().text_characters} characters. Shorten it.",
    "reason": f"The reason is longer than {review_settings().text_characters} characters. Shorten it.",
    "text": f"A film's name is looked for by at most {_LONGEST_FILTER} characters. Shorten what you look for.",
}

"""The review page's server: ``API.md`` beside this file says what is asked and answered, ``calls.py`` has the calls."""

from __future__ import annotations

import asyncio
import logging
import math
import mimetypes
import socket
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import uvicorn
from fastapi import FastAPI
from fastapi.responses import FileResponse, JSONResponse
from fastapi.staticfiles import StaticFiles

from raysplay.infer.review.calls import router
from raysplay.infer.review.connections import ACCEPTED_AT_ONCE, LARGEST_HEAD, Connections
from raysplay.infer.review.desk import Desk
from raysplay.infer.review.error_answers import answer_errors
from raysplay.infer.review.guard import Door, Guard, addresses, place_of
from raysplay.infer.review.in_language import InLanguage, page_words
from raysplay.infer.review.refused import UnknownFootError
from raysplay.infer.review.settings import ReviewSettings, review_settings
from raysplay.infer.visit.language import ENGLISH, languages

HOST = "127.0.0.1"
PAGE = Path(__file__).parent / "page"
"""Files of the page itself."""

_HELD = 2048
"""New connections that the system holds until they are accepted."""

# Browsers that may not guess run modules of this type only, whatever the system's own table says.
mimetypes.add_type("text/javascript", ".js")

log = logging.getLogger(__name__)


def application(desk: Callable[[], Desk | None], beside: Beside | None = None) -> FastAPI:
    """The application, without its guard: calls below ``/api/``, the page's files, a sentence for every failure.

    Parameters
    ----------
    desk : callable
        Gives the desk as it is now; None before there is anything to review.
    beside : Beside, optional
        What else is served.
    """
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.state.desk = desk
    answer_errors(app)
    if beside is not None:
        beside.join(app)
    app.include_router(router)

    @app.get("/")
    def start() -> FileResponse:
        return FileResponse(PAGE / "index.html")

    @app.get("/page/words/{name}.json")
    def words(name: str) -> JSONResponse:
        if name not in languages():
            raise UnknownFootError("there is nothing here")
        return JSONResponse(page_words(name))

    # An editable installation links file by file; a path still cannot leave the folder.
    app.mount("/page", StaticFiles(directory=PAGE, follow_symlink=True))
    return app


def guarded(
    desk: Callable[[], Desk | None],
    door: Door,
    port: Callable[[], int],
    settings: ReviewSettings,
    beside: Beside | None = None,
) -> InLanguage:
    """The application behind its guard; ``port`` is asked for with every request."""
    home, uploads, spoken = (
        ("/", {}, lambda: ENGLISH) if beside is None else (beside.home, beside.uploads, beside.language)
    )
    hosts = lambda: frozenset(addresses(port()))  # noqa: E731  asked anew each time
    app = Guard(application(desk, beside), door, hosts, settings.body_bytes, home, uploads, spoken)
    return InLanguage(app, spoken)


@dataclass(frozen=True)
class Beside:
    """What is served beside a review.

    Attributes
    ----------
    home : str
        Page that a browser is led to first.
    uploads : mapping of str to (int, float)
        Paths to which files are sent: bytes and seconds at the most.
    join : callable
        Adds its calls and pages to the application, before those of the review.
    language : callable
        Gives the language in which its page opens.
    """

    home: str
    uploads: Mapping[str, tuple[int, float]]
    join: Callable[[FastAPI], None]
    language: Callable[[], str] = lambda: ENGLISH


class ReviewServer:
    """The server on 127.0.0.1.

    Parameters
    ----------
    desk : Desk or callable
        A callable gives the desk as it is now, None before there is one.
    door : Door
    port : int
        0 for any that is free.
    beside : Beside, optional
    settings : ReviewSettings, optional
        Those of the desk by default.

    Raises
    ------
    OSError
        If the port is taken.
    """

    def __init__(
        self,
        desk: Desk | Callable[[], Desk | None],
        door: Door,
        port: int = 0,
        beside: Beside | None = None,
        settings: ReviewSettings | None = None,
    ) -> None:
        asked: Callable[[], Desk | None] = (lambda: desk) if isinstance(desk, Desk) else desk
        settings = settings or (desk.settings if isinstance(desk, Desk) else review_settings())
        # With the protocol named, asyncio turns Nagle's algorithm off, which costs 40 ms an answer.
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._socket.bind((HOST, port))
        self.port: int = self._socket.getsockname()[1]
        self.connections = Connections(settings.connections)
        config = uvicorn.Config(
            guarded(asked, door, lambda: self.port, settings, beside),
            # Nothing of a request is logged: queries of the worklist may hold names of films.
            access_log=False,
            log_level="critical",
            server_header=False,
            ws="none",
            loop="asyncio",
            http=cast(Any, self.connections.protocol),
            h11_max_incomplete_event_size=LARGEST_HEAD,
            backlog=ACCEPTED_AT_ONCE,
            timeout_keep_alive=math.ceil(settings.connections.idle_seconds),
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
        """Listen for more at once than the library would."""
        asyncio.get_running_loop().set_exception_handler(_tell)
        await super().startup(sockets)
        for listening in sockets or []:
            listening.listen(_HELD)


def _tell(_: asyncio.AbstractEventLoop, about: dict[str, Any]) -> None:
    error = about.get("exception")
    log.error("The review's server failed: %s", about.get("message", "") if error is None else place_of(error))

"""Who may talk to the server: this machine's browser that was given the one-time address, and nobody else.

A session is known by a key that its pages send in a header, not by a cookie: a cookie goes to every port of this
machine, so that another program's server would be given it and could use it here, and two reviews in one browser would
write over each other's (RFC 6265, 8.5 and 8.6). Where pages keep the key, only pages of the same port can read it
(HTML, web storage: one area for each origin). No other site can send such a header unasked (Fetch, CORS).

Sources besides: OWASP cheat sheets on cross-site request forgery (check of Origin; Fetch Metadata), session management
and HTTP headers; RFC 6750, 2.1 for the header. The check of ``Host`` keeps out names that were bent to this address
(DNS rebinding).
"""

from __future__ import annotations

import hmac
import html
import logging
import secrets
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from raysplay.infer.visit.language import ENGLISH, language

SCHEME = "Bearer"
KEY_NAME = "session-key"
"""Name under which the first page hands the key on."""

_SAFE = ("GET", "HEAD")
_OWN_SITE = ("none", "same-origin")
_ONWARD = (
    '<!doctype html><html lang="{language}"><meta charset="utf-8"><meta name="{name}" content="{key}">'
    "<title>{onward_title}</title>"
    '<script type="module" src="/page/modules/entrance.js"></script>'
    '<p id="onward"><a href="{home}">{onward}</a></p></html>'
)
_NO_SESSION = "Open the address that the command printed; it works once."
_PACKAGE = Path(__file__).parents[2]

log = logging.getLogger(__name__)

_DOCUMENT = "/document/"
_DOCUMENT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
"""Of reports: they bring their own styles, run nothing and fetch nothing."""

_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; object-src 'none'",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}


@dataclass
class Session:
    """One browser that was let in, and the initials of who sits before it."""

    reader: str | None = None


class Door:
    """One-time tokens that open a session, and the sessions that are open.

    Parameters
    ----------
    reader : str or None
        Initials of every session until its reader states others.
    on_entry : callable
        Told the next one-time token when one was used, so that another browser can be let in.
    """

    def __init__(self, reader: str | None, on_entry: Callable[[str], None] = lambda token: None) -> None:
        self._reader = reader
        self._on_entry = on_entry
        self._lock = threading.Lock()
        self._sessions: dict[str, Session] = {}
        self.token = secrets.token_urlsafe(32)

    def enter(self, token: str) -> str | None:
        """The key of a new session for the right token, which is then spent; else None."""
        with self._lock:
            if not _same(token, self.token):
                return None
            self.token = secrets.token_urlsafe(32)
            key = secrets.token_urlsafe(32)
            self._sessions[key] = Session(self._reader)
        self._on_entry(self.token)
        return key

    def session(self, key: str) -> Session | None:
        """The session of a key; every known one is compared, in constant time."""
        found = None
        for known, session in list(self._sessions.items()):
            if _same(key, known):
                found = session
        return found


def _same(given: str, known: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), known.encode("utf-8"))


class Guard:
    """ASGI middleware around the whole application.

    Parameters
    ----------
    app : ASGI application
    door : Door
    hosts : callable
        Gives the values of ``Host`` under which the server may be addressed.
    body_bytes : int
        Largest request body.
    home : str
        Page that a browser is led to once it was let in.
    uploads : mapping of str to (int, float)
        Paths to which files are sent: their bytes and seconds at the most. Such a body is handed on as it comes, once
        its session is known.
    spoken : callable
        Gives the language of the page that a browser is led to.
    """

    def __init__(
        self,
        app: ASGIApp,
        door: Door,
        hosts: Callable[[], frozenset[str]],
        body_bytes: int,
        home: str = "/",
        uploads: Mapping[str, tuple[int, float]] | None = None,
        spoken: Callable[[], str] = lambda: ENGLISH,
    ) -> None:
        self._app, self._door, self._hosts, self._body_bytes = app, door, hosts, body_bytes
        self._home, self._uploads, self._spoken = home, uploads or {}, spoken

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refused = self._answer(scope)
        if refused is not None:
            await refused(scope, receive, _with_headers(send))
            return
        upload = self._upload(scope)
        try:
            whole = await self._body(receive) if scope["method"] not in _SAFE and upload is None else b""
        except _TooLargeError:
            await _error(413, "The request is too large.")(scope, receive, _with_headers(send))
            return
        if whole is None:
            return  # nobody is there to be answered
        began = False

        async def sending(message: Message) -> None:
            nonlocal began
            began = began or message["type"] == "http.response.start"
            await _with_headers(send, scope["path"])(message)

        try:
            await self._app(scope, receive if upload is not None else _given(whole, receive), sending)
        except Exception as error:
            # One line: a trace may repeat names of films, and tells a reader nothing.
            log.error("The review's server failed: %s", place_of(error))
            if not began:
                await _error(500, internal_error(error))(scope, receive, sending)

    def _answer(self, scope: Scope) -> Response | None:
        """An answer given at the door, or None to go on."""
        headers = Headers(scope=scope)
        hosts = self._hosts()
        if headers.get("host", "").lower() not in hosts:
            return _error(403, "This server answers to its own address only.")
        origin = headers.get("origin")
        own = {f"http://{host}" for host in hosts}
        if origin is not None and origin.lower() not in own:
            return _error(403, "A request from another site was refused.")
        if headers.get("sec-fetch-site", "none") not in _OWN_SITE and scope["path"] != "/start":
            return _error(403, "A request from another site was refused.")
        if scope["method"] not in _SAFE and origin is None:
            return _error(403, "A request that does not say where it comes from was refused.")
        length = headers.get("content-length", "0")
        upload = self._upload(scope)
        most = self._body_bytes if upload is None else upload[0]
        if len(length) > 18 or not length.isdecimal() or int(length) > most:
            return _error(413, "The request is too large.")
        if scope["path"] == "/start":
            return self._start(scope)
        if not scope["path"].startswith("/api/"):
            return None  # the page's own files: they are the same for everybody and hold nothing of the run
        session = self._door.session(_key(headers))
        if session is None:
            return _error(401, _NO_SESSION)
        scope["session"] = session
        if (connection := scope.get("state", {}).get("connection")) is not None:
            connection.trusted = True
            if upload is not None:
                connection.wait_longer(upload[1])
        return None

    def _upload(self, scope: Scope) -> tuple[int, float] | None:
        """Bytes and seconds of a file that is sent; None for every other request."""
        return self._uploads.get(scope["path"]) if scope["method"] == "POST" else None

    def _start(self, scope: Scope) -> Response:
        """The page that hands a browser its key; not a redirect, whose address browsers keep."""
        key = None
        if scope["method"] == "GET":
            key = self._door.enter(Request(scope).query_params.get("token", ""))
        if key is None:
            return PlainTextResponse(f"This address was used before or is not whole. {_NO_SESSION}", 403)
        words = language(self._spoken())
        said = {one: html.escape(words.page[one]) for one in ("onward", "onward_title")}
        page = _ONWARD.format(language=words.language, name=KEY_NAME, key=html.escape(key), home=self._home, **said)
        return HTMLResponse(page)

    async def _body(self, receive: Receive) -> bytes | None:
        """The whole body, counted while it comes, whatever its head announced; None if the browser went away.

        Nothing is begun for a request that is not whole: many slow ones cost little.

        Raises
        ------
        _TooLargeError
            If it is larger than allowed.
        """
        parts, taken = [], 0
        while True:
            message = await receive()
            if message["type"] != "http.request":
                return None
            parts.append(message.get("body", b""))
            taken += len(parts[-1])
            if taken > self._body_bytes:
                raise _TooLargeError
            if not message.get("more_body", False):
                return b"".join(parts)


class _TooLargeError(Exception):
    """A body longer than allowed."""


def _given(body: bytes, receive: Receive) -> Receive:
    """A body that is there already, as the framework asks for it."""
    given = False

    async def receiving() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return receiving


def _key(headers: Headers) -> str:
    scheme, _, key = headers.get("authorization", "").partition(" ")
    return key.strip() if scheme.lower() == SCHEME.lower() else ""


def internal_error(error: BaseException) -> str:
    """What a reader is told of a failure of the program: it may have come after a read was saved."""
    return f"Internal error ({type(error).__name__}): keep this page open, and see in another tab what was saved."


def place_of(error: BaseException) -> str:
    """Kind of an error and the last line of this project that it passed, without its message."""
    line, trace = "", error.__traceback__
    while trace is not None:
        file = Path(trace.tb_frame.f_code.co_filename)
        if _PACKAGE in file.parents:
            line = f" at {file.relative_to(_PACKAGE).as_posix()}:{trace.tb_lineno}"
        trace = trace.tb_next
    return f"{type(error).__name__}{line}"


def _error(status: int, sentence: str) -> Response:
    return JSONResponse({"error": sentence}, status)


def _with_headers(send: Send, path: str = "") -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(raw=message.setdefault("headers", []))
            for name, value in _HEADERS.items():
                headers[name] = value
            if path.startswith(_DOCUMENT):
                headers["Content-Security-Policy"] = _DOCUMENT_POLICY
        await send(message)

    return sending


def addresses(port: int) -> Iterator[str]:
    """Values of ``Host`` for a server on this machine."""
    for name in ("127.0.0.1", "localhost"):
        yield f"{name}:{port}"

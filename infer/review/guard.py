"""Who may talk to the server: this machine's browser that was given the one-time address, and nobody else.

Sources: OWASP cheat sheets on cross-site request forgery (check of Origin; Fetch Metadata), session management and
HTTP headers; RFC 6265bis for ``SameSite``. The check of ``Host`` keeps out names that were bent to this address (DNS
rebinding).
"""

from __future__ import annotations

import hmac
import secrets
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "raysplay_review"

_SAFE = ("GET", "HEAD")
_OWN_SITE = ("none", "same-origin")
_ONWARD = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><meta http-equiv="refresh" content="0; url=/">'
    '<title>Review</title><p><a href="/">To the review page</a></p></html>'
)
_NO_SESSION = "Open the address that the command printed; it works once."

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
        """The cookie of a new session for the right token, which is then spent; else None."""
        with self._lock:
            if not _same(token, self.token):
                return None
            self.token = secrets.token_urlsafe(32)
            cookie = secrets.token_urlsafe(32)
            self._sessions[cookie] = Session(self._reader)
        self._on_entry(self.token)
        return cookie

    def session(self, cookie: str) -> Session | None:
        """The session of a cookie; every known one is compared, in constant time."""
        found = None
        for known, session in list(self._sessions.items()):
            if _same(cookie, known):
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
    """

    def __init__(self, app: ASGIApp, door: Door, hosts: Callable[[], frozenset[str]], body_bytes: int) -> None:
        self._app, self._door, self._hosts, self._body_bytes = app, door, hosts, body_bytes

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
        try:
            await self._app(scope, self._bounded(receive), _with_headers(send))
        except _TooLargeError:
            await _error(413, "The request is too large.")(scope, receive, _with_headers(send))

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
        if scope["path"] == "/start":
            return self._start(scope)
        session = self._door.session(_cookie(headers))
        if session is None:
            if scope["path"].startswith("/api/"):
                return _error(401, _NO_SESSION)
            return PlainTextResponse(_NO_SESSION, 401)
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > self._body_bytes:
            return _error(413, "The request is too large.")
        scope["session"] = session
        return None

    def _start(self, scope: Scope) -> Response:
        request = Request(scope)
        cookie = self._door.enter(request.query_params.get("token", "")) if request.method == "GET" else None
        if cookie is None:
            if self._door.session(_cookie(request.headers)) is not None:
                return RedirectResponse("/", 303)
            return PlainTextResponse(f"This address was used before or is not whole. {_NO_SESSION}", 403)
        # A browser that follows a link of another site keeps a strict cookie back even on the way of a redirect; a page
        # of this server that leads on does not.
        elsewhere = request.headers.get("sec-fetch-site", "none") not in _OWN_SITE
        answer = HTMLResponse(_ONWARD) if elsewhere else RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, cookie, httponly=True, samesite="strict", path="/")
        return answer

    def _bounded(self, receive: Receive) -> Receive:
        """Count the body while it comes, whatever its head announced."""
        taken = 0

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._body_bytes:
                raise _TooLargeError
            return message

        return counted


class _TooLargeError(HTTPException):
    """A body longer than allowed; of this class, since the framework takes any other for a broken body."""

    def __init__(self) -> None:
        super().__init__(413, "The request is too large.")


def _cookie(headers: Mapping[str, str]) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""


def _error(status: int, sentence: str) -> Response:
    return JSONResponse({"error": sentence}, status)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(raw=message.setdefault("headers", []))
            for name, value in _HEADERS.items():
                headers[name] = value
        await send(message)

    return sending


def addresses(port: int) -> Iterator[str]:
    """Values of ``Host`` for a server on this machine."""
    for name in ("127.0.0.1", "localhost"):
        yield f"{name}:{port}"

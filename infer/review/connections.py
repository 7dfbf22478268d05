"""HTTP connections of the review's server: so many at once, and none that keeps it waiting.

Sources: OWASP, denial of service (slow requests); RFC 9112, 9.5 and 9.6 (a server may close a connection that is idle
or slow at any time; a client sends again on another).
"""

from __future__ import annotations

import asyncio
import json
import sys
from contextlib import suppress
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

from raysplay.infer.review.settings import ConnectionLimits

LARGEST_HEAD = 16384
"""Bytes of a request's line and headers."""

ACCEPTED_AT_ONCE = 64
"""New connections between two turns of the server's loop: they must be few enough for the files a process may open."""

_FILES_WANTED = 1024

_UNCLEAR = json.dumps({"error": "This is no request that can be made out."}).encode("ascii")


class Connections:
    """All connections of one server; no more than leave the process files to open."""

    def __init__(self, limits: ConnectionLimits) -> None:
        self.limits = limits
        self._most = min(limits.most, _files_allowed(_FILES_WANTED) // 2)
        self._open: set[BoundedProtocol] = set()
        # Those that are waited for, the longest first: a dictionary keeps its order, and takes any one out at once.
        self._strangers: dict[BoundedProtocol, None] = {}
        self._idle_guests: dict[BoundedProtocol, None] = {}

    def __len__(self) -> int:
        return len(self._open)

    def protocol(self, **about: Any) -> BoundedProtocol:
        """What uvicorn asks for with every connection."""
        return BoundedProtocol(self, **about)

    def add(self, new: BoundedProtocol) -> None:
        """Take in a new connection; where there are too many, the one that was waited for longest goes.

        Those of known sessions that are between two requests go last; one whose request is being answered stays. So a
        page that sends at once is served, however many others do not.
        """
        if len(self._open) >= self._most:
            longest = next(iter(self._strangers or self._idle_guests), new)
            longest.drop()
            if longest is new:
                return
        self._open.add(new)
        self.sort(new)

    def sort(self, one: BoundedProtocol) -> None:
        """What is waited for on a connection has changed."""
        self._strangers.pop(one, None)
        self._idle_guests.pop(one, None)
        if one.waiting is not None and one in self._open:
            (self._idle_guests if one.trusted and one.waiting == IDLE else self._strangers)[one] = None

    def remove(self, one: BoundedProtocol) -> None:
        """A connection has ended."""
        self._open.discard(one)
        self._strangers.pop(one, None)
        self._idle_guests.pop(one, None)


HEAD, BODY, IDLE = "head", "body", "idle"
"""What is waited for on a connection: the rest of a request's head, of its body, or another request."""


class BoundedProtocol(H11Protocol):
    """One connection, closed if a request's head or body, or the taking of an answer, lasts too long.

    Attributes
    ----------
    waiting : str or None
        What is waited for; None while an answer is made.
    trusted : bool
        Whether a request of a known session came by it.
    """

    def __init__(self, connections: Connections, **about: Any) -> None:
        super().__init__(**about)
        self._connections = connections
        self._timer: asyncio.TimerHandle | None = None
        self._write_timer: asyncio.TimerHandle | None = None
        self.waiting: str | None = None
        self.trusted = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for a head; may close another connection, or this one, where there are too many."""
        super().connection_made(transport)
        self._wait(HEAD)
        self._connections.add(self)

    def connection_lost(self, exc: Exception | None) -> None:
        """Nothing is waited for any more."""
        self._forget()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take what came, unless the connection is being closed, and see what is waited for now."""
        if self.transport.is_closing():
            return
        super().data_received(data)
        if self.scope is not None:
            # For whoever finds out whose request it is.
            self.scope["state"]["connection"] = self
        self._look()

    def on_response_complete(self) -> None:
        """An answer is on its way: the next request is waited for."""
        super().on_response_complete()
        self._look()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP in words of this project; nothing where an answer is under way already."""
        try:
            headers = [
                (b"content-type", b"application/json"),
                (b"content-length", str(len(_UNCLEAR)).encode()),
                (b"cache-control", b"no-store"),
                (b"x-content-type-options", b"nosniff"),
                (b"connection", b"close"),
            ]
            for event in (
                h11.Response(status_code=400, headers=headers, reason=b"Bad Request"),
                h11.Data(data=_UNCLEAR),
                h11.EndOfMessage(),
            ):
                self.transport.write(self.conn.send(event) or b"")
            self.transport.close()
        except h11.LocalProtocolError:
            self.drop()

    def timeout_keep_alive_handler(self) -> None:
        """No further request came in time."""
        self.drop()

    def pause_writing(self) -> None:
        """The other side takes an answer slowly: it has ``answer_seconds`` for what the system holds."""
        super().pause_writing()
        if self._write_timer is None:
            self._write_timer = self.loop.call_later(self._connections.limits.answer_seconds, self.drop)

    def resume_writing(self) -> None:
        """It took enough."""
        super().resume_writing()
        if self._write_timer is not None:
            self._write_timer.cancel()
            self._write_timer = None

    def wait_longer(self, seconds: float) -> None:
        """Wait so long for the rest of a body that is known to be a file of somebody who was let in."""
        if self.waiting == BODY:
            if self._timer is not None:
                self._timer.cancel()
            self._timer = self.loop.call_later(seconds, self.drop)

    def drop(self) -> None:
        """Close at once, whatever is under way."""
        self._forget()
        self.transport.abort()

    def _look(self) -> None:
        """See what is waited for now."""
        if self.transport.is_closing():
            return
        theirs = self.conn.their_state
        if theirs is h11.SEND_BODY:
            self._wait(BODY)
        elif theirs is h11.IDLE and self.conn.trailing_data[0]:
            self._wait(HEAD)
        elif self.cycle is not None and not self.cycle.response_complete:
            self._wait(None)
        elif self.cycle is not None:
            self._wait(IDLE)

    def _wait(self, what: str | None) -> None:
        """Begin to wait; what was waited for already goes on to its own end."""
        if what == self.waiting:
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self.waiting = what
        self._connections.sort(self)
        limits = self._connections.limits
        seconds = {HEAD: limits.head_seconds, BODY: limits.body_seconds, IDLE: limits.idle_seconds}
        if what is not None:
            self._timer = self.loop.call_later(seconds[what], self.drop)

    def _forget(self) -> None:
        self._connections.remove(self)
        for timer in (self._timer, self._write_timer):
            if timer is not None:
                timer.cancel()
        self._timer = self._write_timer = None


def _files_allowed(wanted: int) -> int:
    """How many files the process may have open, raised to what is wanted if the system lets it."""
    if sys.platform == "win32":
        return wanted
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY or soft >= wanted:
        return wanted
    raised = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (raised, hard))
        return raised
    return soft

"""What a person reads of the server's answers, in the language that the page asks for.

Every part of the server speaks English; here, where an answer leaves, its sentences are put into the language of the
request's ``Accept-Language``, as far as they are known there (``phrases`` of the language). Data stays as it is.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from raysplay.infer.visit.language import ENGLISH, Language, language, languages

_SENTENCES = ("error", "film_notice", "withheld")
"""Keys of answers whose text is a sentence for a person."""


def asked_for(accepted: str | None) -> str:
    """The language that a page names; English where it names none that there are words in.

    Examples
    --------
    >>> asked_for("de"), asked_for("de-AT,de;q=0.9"), asked_for(None)
    ('de', 'de', 'en')
    """
    tag = (accepted or "").split(",")[0].split(";")[0].split("-")[0].strip().lower()
    return tag if tag in languages() else ENGLISH


def page_words(name: str) -> dict[str, Any]:
    """All that a page needs to speak a language."""
    words = language(name)
    return {
        "language": words.language,
        "decimal": words.decimal,
        "date": words.date,
        "languages": [(one, language(one).called) for one in languages()],
        "messages": {**words.messages, **words.page},
    }


class InLanguage:
    """ASGI middleware around everything.

    Parameters
    ----------
    app : ASGI application
    home : callable
        Gives the language of what is no answer to a page: sentences that stand alone in a tab.
    """

    def __init__(self, app: ASGIApp, home: Callable[[], str] = lambda: ENGLISH) -> None:
        self._app, self._home = app, home

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        api = scope["path"].startswith("/api/")
        name = asked_for(Headers(scope=scope).get("accept-language")) if api else self._home()
        await self._app(scope, receive, send if name == ENGLISH else _spoken(send, language(name)))


def _spoken(send: Send, words: Language) -> Send:
    """Answers of JSON, and failures in plain text, are held until they are whole, and sent in other words."""
    start: Message | None = None
    parts: list[bytes] = []

    async def sending(message: Message) -> None:
        nonlocal start
        if message["type"] == "http.response.start":
            kind = Headers(raw=message["headers"]).get("content-type", "")
            if kind.startswith("application/json") or (kind.startswith("text/plain") and message["status"] >= 400):
                start = message
                return
        if start is None or message["type"] != "http.response.body":
            await send(message)
            return
        parts.append(message.get("body", b""))
        if message.get("more_body", False):
            return
        body = _translated(b"".join(parts), start, words)
        MutableHeaders(raw=start["headers"])["content-length"] = str(len(body))
        await send(start)
        await send({"type": "http.response.body", "body": body})

    return sending


def _translated(body: bytes, start: Message, words: Language) -> bytes:
    if Headers(raw=start["headers"]).get("content-type", "").startswith("text/plain"):
        return words.phrase(body.decode("utf-8")).encode("utf-8")
    try:
        content = json.loads(body)
    except ValueError:
        return body  # to a HEAD request
    return json.dumps(_said(content, words), ensure_ascii=False, separators=(",", ":")).encode("utf-8")


def _said(content: Any, words: Language) -> Any:
    if isinstance(content, list):
        return [_said(one, words) for one in content]
    if not isinstance(content, dict):
        return content
    return {
        key: words.phrase(value) if key in _SENTENCES and isinstance(value, str) else _said(value, words)
        for key, value in content.items()
    }

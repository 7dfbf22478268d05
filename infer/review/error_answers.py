"""What is answered where something fails: a status and one sentence for a reader."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from raysplay.configs.plain_words import in_words, where
from raysplay.infer.review.calls import LONGEST_FILTER
from raysplay.infer.review.claims import claim_state
from raysplay.infer.review.films import FilmUnavailableError
from raysplay.infer.review.guard import internal_error
from raysplay.infer.review.refused import OvertakenError, RefusedError, UnknownFootError
from raysplay.infer.review.settings import review_settings
from raysplay.infer.review.store import ClaimedError, StoreError

_STATUS: dict[type[Exception], int] = {
    UnknownFootError: 404,
    FilmUnavailableError: 404,
    RefusedError: 422,
    StoreError: 503,
}
"""Errors whose message is for the reader."""

_SENTENCES = {
    400: "the request is not JSON",
    404: "there is nothing here",
    405: "this cannot be asked in that way",
    413: "the request is too large",
}
"""What stands in an answer instead of the framework's own words."""

_SHORTEN = {
    "note": f"The note is longer than {review_settings().text_characters} characters. Shorten it.",
    "reason": f"The reason is longer than {review_settings().text_characters} characters. Shorten it.",
    "text": f"A film's name is looked for by at most {LONGEST_FILTER} characters. Shorten what you look for.",
}


def answer_errors(app: FastAPI) -> None:
    """Every failure is one sentence; nothing of the request or of the machine is repeated in it."""
    for kind, status in _STATUS.items():
        app.add_exception_handler(kind, told_with(status))

    @app.exception_handler(OvertakenError)
    def _overtaken(_: Request, error: OvertakenError) -> JSONResponse:
        return _answer(409, str(error), theirs=error.theirs, yours=error.yours)

    @app.exception_handler(ClaimedError)
    def _claimed(_: Request, error: ClaimedError) -> JSONResponse:
        return _answer(409, str(error), claim=claim_state(error.claim))

    @app.exception_handler(RequestValidationError)
    def _malformed(_: Request, error: RequestValidationError) -> JSONResponse:
        return _unfit(error)

    @app.exception_handler(HTTPException)
    def _http(_: Request, error: HTTPException) -> JSONResponse:
        return _answer(error.status_code, _SENTENCES.get(error.status_code, "the request cannot be taken"))

    @app.exception_handler(Exception)
    def _failed(_: Request, error: Exception) -> JSONResponse:
        # It goes on to the guard, which tells the terminal.
        return _answer(500, internal_error(error))


def _answer(status: int, sentence: str, **rest: Any) -> JSONResponse:
    return JSONResponse({"error": sentence[:1].upper() + sentence[1:], **rest}, status)


def told_with(status: int) -> Callable[[Request, Exception], JSONResponse]:
    """Answers an error whose message is for the reader with a status."""

    def handler(_: Request, error: Exception) -> JSONResponse:
        return _answer(status, str(error))

    return handler


def _unfit(error: RequestValidationError) -> JSONResponse:
    """A request that the models of what the page sends do not take."""
    first = error.errors()[0]
    if first["loc"][:1] == ("path",):
        return _answer(404, "there is nothing here")
    if first["type"] == "json_invalid":
        return _answer(400, "the request is not JSON")
    place, words = where(first["loc"][1:]), in_words(first)
    if first["type"] == "value_error":
        return _answer(422, words)  # said by this project, for the reader
    told = _SHORTEN.get(str(first["loc"][-1])) if first["type"] == "string_too_long" else None
    unfit = f"the request does not fit: {place} {words}" if place else f"the request {words}"
    return _answer(422, told or f"{unfit}. Nothing was saved; load the page again")

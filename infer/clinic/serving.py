"""The desk beside the review, on one server."""

from __future__ import annotations

import html

from fastapi import FastAPI
from fastapi.responses import HTMLResponse, PlainTextResponse, Response

from raysplay.infer.clinic.calls import FAILURES, UPLOAD, ClinicServed, router
from raysplay.infer.clinic.clinic import Clinic
from raysplay.infer.clinic.desk_language import desk_language
from raysplay.infer.clinic.documents import Documents
from raysplay.infer.clinic.handed_out import ADDRESS, HandedOut
from raysplay.infer.clinic.records import RecordsError
from raysplay.infer.review.error_answers import told_with
from raysplay.infer.review.guard import Door
from raysplay.infer.review.server import PAGE, Beside, ReviewServer
from raysplay.infer.visit.language import language

HOME = "/desk"


def clinic_server(clinic: Clinic, door: Door, port: int = 0) -> ReviewServer:
    """The server of a desk.

    Raises
    ------
    OSError
        If the port is taken.
    """
    handed = HandedOut(clinic.settings.open_seconds)
    served = ClinicServed(clinic, Documents(clinic, handed))

    def join(app: FastAPI) -> None:
        app.state.clinic = served
        for kind, handler in FAILURES.items():
            app.add_exception_handler(kind, handler)
        app.add_exception_handler(RecordsError, told_with(503))
        app.include_router(router)

        @app.get(HOME)
        def page() -> HTMLResponse:
            words = language(desk_language(clinic.folder))
            said = {key: html.escape(text) for key, text in words.page.items()}
            shown = (PAGE / "desk.html").read_text(encoding="utf-8")
            return HTMLResponse(shown.format(language=words.language, **said))

        @app.get(f"{ADDRESS}{{token}}")
        def document(token: str) -> Response:
            found = handed.page(token)
            if found is None:
                return PlainTextResponse("This address is no longer good. Open the page anew from the desk.", 404)
            named = {"Content-Disposition": f'inline; filename="{found.name}"'}
            return Response(found.content(), media_type=found.media_type, headers=named)

    limits = clinic.settings
    uploads = {UPLOAD: (limits.upload_bytes, limits.upload_seconds)}
    return ReviewServer(
        lambda: clinic.desk, door, port, Beside(HOME, uploads, join, lambda: desk_language(clinic.folder))
    )

"""The page that films are dropped on: ``raysplay visit`` without a run; and the card, ``raysplay technique-card``."""

from __future__ import annotations

import contextlib
import webbrowser
from pathlib import Path
from typing import Annotated

import typer

from raysplay.infer.command import CAUTION
from raysplay.infer.command_options import out_option, overwrite_option


def open_desk(
    folder: Path | None, *, port: int, reader: str | None, browser: bool, language: str | None = None
) -> None:
    """Serve a desk to this machine until it is interrupted; bad usage where its folder cannot be used.

    Parameters
    ----------
    folder : Path or None
        One in the user's data by default.
    port : int
        0 for any that is free.
    reader : str or None
        Initials of every browser until others are stated.
    browser : bool
        Whether to open it.
    language : str or None
        In which it opens, now and later; None for the one that was chosen last.
    """
    from rich.console import Console

    from raysplay.infer.clinic.clinic import Clinic
    from raysplay.infer.clinic.desk_folder import DeskFolder, DeskFolderError, usual_desk
    from raysplay.infer.clinic.desk_language import choose_language
    from raysplay.infer.clinic.records import RecordsError
    from raysplay.infer.clinic.serving import clinic_server
    from raysplay.infer.outputs.folder_lock import FolderInUseError, FolderLock
    from raysplay.infer.outputs.owner_only import open_to_others, owner_only
    from raysplay.infer.review.guard import Door
    from raysplay.infer.review.leading_page import leading_page
    from raysplay.infer.review.study import initials
    from raysplay.infer.visit.language import languages

    console = Console()
    try:
        reader = None if reader is None else initials(reader)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--reader") from error
    if language is not None and language not in languages():
        said = f"{language}: no words in this language; there are {', '.join(languages())}"
        raise typer.BadParameter(said, param_hint="--language")
    place = DeskFolder((folder or usual_desk()).absolute())
    with owner_only(), contextlib.ExitStack() as opened:
        try:
            place.make()
            opened.enter_context(FolderLock(place.path))
            if language is not None:
                choose_language(place, language)
            clinic = Clinic(place)
        except FolderInUseError as error:
            said = f"{place.path}: this desk is open already; use its page, or end it in its terminal first"
            raise typer.BadParameter(said, param_hint="--desk") from error
        except (DeskFolderError, RecordsError) as error:
            raise typer.BadParameter(str(error), param_hint="--desk") from error
        except OSError as error:
            said = f"{place.path}: cannot be a desk ({error.strerror})"
            raise typer.BadParameter(said, param_hint="--desk") from error
        opened.callback(clinic.close)
        if open_to_others(place.path):
            console.print(f"Note: other users of this machine can see what lies in {place.path}.", soft_wrap=True)
        opened_page = opened.enter_context(contextlib.ExitStack())

        def invite(token: str) -> None:
            opened_page.close()
            console.print("For another browser:", server.address(token), soft_wrap=True, highlight=False)

        door = Door(reader, invite)
        try:
            server = clinic_server(clinic, door, port)
        except OSError as error:
            raise typer.BadParameter(f"{port} cannot be used ({error.strerror})", param_hint="--port") from error
        address = server.address(door.token)
        console.print("The desk. Open, once:", address, soft_wrap=True, highlight=False)
        console.print(f"Everything stays in {place.path}. End with Ctrl+C.", soft_wrap=True, highlight=False)
        console.print(CAUTION)
        if browser:
            with contextlib.suppress(OSError):  # the address is on the screen
                page = opened_page.enter_context(leading_page(address, place.path))
                webbrowser.open(page.as_uri())
        server.run()


def technique_card(
    out: Annotated[Path, out_option("the card")],
    language: Annotated[str, typer.Option("--language", metavar="LANGUAGE", help="Of the card: en, de.")] = "en",
    paper: Annotated[str, typer.Option("--paper", metavar="PAPER", help="A4 or Letter.")] = "A4",
    overwrite: Annotated[bool, overwrite_option("card")] = False,
) -> None:
    """Write the card on taking films: one page to print, what to do and what to note down."""
    from raysplay.configs.load import ConfigError
    from raysplay.infer.report.pdf_file import pdf_file
    from raysplay.infer.report.web_page import web_page
    from raysplay.infer.visit.language import language as language_of
    from raysplay.infer.visit.technique_card import technique_card as card
    from raysplay.infer.visit.written import ReportFolderError, write_reports

    try:
        words = language_of(language)
    except ConfigError as error:
        raise typer.BadParameter(str(error), param_hint="--language") from error
    if paper not in ("A4", "Letter"):
        raise typer.BadParameter(f"{paper}: there are A4 and Letter", param_hint="--paper")
    title, blocks = words.say("card_title"), card(words)
    name = f"technique-card-{words.language}"
    files = {
        f"{name}.html": web_page(title, blocks).encode("utf-8"),
        f"{name}.pdf": pdf_file(title, blocks, "Letter" if paper == "Letter" else "A4"),
    }
    try:
        write_reports(out, files, overwrite=overwrite)
    except ReportFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error
    typer.echo(f"{out / name}.html, .pdf")

"""``raysplay visit``: one report a person from a finished run and its review."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raysplay.infer.command import CAUTION
from raysplay.infer.command_options import FilmsFolder, NameKey, overwrite_option
from raysplay.infer.review.command import Store, open_run, open_store, store_errors, take_over_earlier

if TYPE_CHECKING:
    from raysplay.infer.outputs.finished_run import FinishedRun
    from raysplay.infer.visit.conditions import Conditions
    from raysplay.infer.visit.persons import LeftOut
    from raysplay.measure.reader_error import NewFilmError

NOT_REPORTED = "not_reported.csv"
"""Feet and films that are in no report, and why."""


def visit(
    run: Annotated[
        Path | None,
        typer.Argument(
            metavar="[RUN_DIR]",
            help="Folder that `raysplay measure` wrote; left out, a page opens that films are dropped on.",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder for the reports; made if missing.")
    ] = None,
    conditions: Annotated[
        Path | None,
        typer.Option(
            "--conditions", metavar="CSV", help="What is stated of films: person, date, worn, loading, tilt, surgery."
        ),
    ] = None,
    name_key: NameKey = None,
    films: FilmsFolder = None,
    store: Store = None,
    new_film_error: Annotated[
        Path | None,
        typer.Option(
            "--new-film-error", metavar="FILE", help="Errors of repeated films; those of the shipped file give way."
        ),
    ] = None,
    person: Annotated[str | None, typer.Option("--person", metavar="CODE", help="Write this person's alone.")] = None,
    language: Annotated[str, typer.Option("--language", metavar="LANGUAGE", help="Of the reports: en, de.")] = "en",
    overwrite: Annotated[bool, overwrite_option("set of reports")] = False,
    desk: Annotated[
        Path | None,
        typer.Option(
            "--desk", metavar="DIR", help="Without a run: folder of the desk; one in the user's data if left out."
        ),
    ] = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Of the desk; any free one if left out.")] = 0,
    reader: Annotated[str | None, typer.Option("--reader", metavar="INITIALS", help="Who sits at the desk.")] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the desk in the browser.")] = True,
) -> None:
    """Write one report a person from a run; without a run, open the page that films are dropped on."""
    if run is None:
        from raysplay.infer.clinic.command import open_desk

        if out is not None or conditions is not None:
            raise typer.BadParameter("is for the reports of a run; name its folder", param_hint="--out, --conditions")
        open_desk(desk, port=port, reader=reader, browser=browser)
        return
    if out is None:
        raise typer.BadParameter("say where the reports go", param_hint="--out")
    if desk is not None:
        raise typer.BadParameter("is for the page without a run", param_hint="--desk")
    from raysplay.configs.load import ConfigError
    from raysplay.infer.decide.settings import decision_settings
    from raysplay.infer.outputs.csv_bytes import csv_bytes
    from raysplay.infer.report.pdf_file import pdf_file
    from raysplay.infer.report.web_page import web_page
    from raysplay.infer.review.films import FilmShelf
    from raysplay.infer.review.open_desk import OpenDesk
    from raysplay.infer.review.settings import review_settings
    from raysplay.infer.user_table import UserTableError
    from raysplay.infer.visit.language import language as language_of
    from raysplay.infer.visit.persons import persons_of
    from raysplay.infer.visit.report import ReportGround, report_of
    from raysplay.infer.visit.written import ReportFolderError, check_free, write_reports

    try:
        words = language_of(language)
    except ConfigError as error:
        raise typer.BadParameter(str(error), param_hint="--language") from error
    opened, settings = open_run(run, name_key, films), review_settings()
    errors = _errors(new_film_error)
    stated = _conditions(conditions, opened)
    with contextlib.closing(open_store(store, opened)) as reads, store_errors():
        review = OpenDesk(opened, reads, FilmShelf(opened, None, settings.films.cache_bytes), settings)
        take_over_earlier(review)
        for notice in (*opened.changes(), *reads.notices):
            typer.echo(f"Note: {notice}", err=True)
        try:
            persons, left = persons_of(review, stated)
        except UserTableError as error:
            raise typer.BadParameter(str(error), param_hint="--conditions") from error
    if person is not None:
        known = [one.called for one in persons]
        persons = tuple(one for one in persons if one.called == person)
        if not persons:
            said = f"{person}: no such person; there are {', '.join(known) or 'none'}"
            raise typer.BadParameter(said, param_hint="--person")
    if not persons:
        for line in _told(left):
            typer.echo(line, err=True)
        typer.echo("Error: no foot of the run has both a person and a date: nothing to report", err=True)
        raise typer.Exit(2)
    names = {one.called: one.called.replace(" ", "_") for one in persons}
    ground = ReportGround(
        opened.identity[:12], run, opened.protocol(), decision_settings(), settings.hand_placed, errors, words
    )
    try:
        planned = tuple(f"{name}.{ending}" for name in names.values() for ending in ("html", "pdf"))
        check_free(out, (*planned, NOT_REPORTED), overwrite=overwrite)
        files: dict[str, bytes] = {}
        for one in persons:
            blocks = report_of(one, left, ground)
            title = words.say("title", person=one.called)
            files[f"{names[one.called]}.html"] = web_page(title, blocks).encode("utf-8")
            files[f"{names[one.called]}.pdf"] = pdf_file(title, blocks)
        files[NOT_REPORTED] = csv_bytes(
            ("film", "foot_index", "why"), ((one.film, one.foot_index, one.why) for one in left)
        )
        write_reports(out, files, overwrite=overwrite)
    except ReportFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error
    for line in _told(left):
        typer.echo(line)
    for one in persons:
        typer.echo(f"{out / names[one.called]}.html, .pdf: {len(one.feet)} feet on film")
    typer.echo(CAUTION)


def _errors(path: Path | None) -> dict[str, NewFilmError]:
    """What a new film gives, by measure: the shipped errors, and those of the user's file in their place."""
    from raysplay.configs.load import ConfigError, shipped
    from raysplay.configs.new_film_error import read_new_film_errors

    errors = read_new_film_errors(shipped("new_film_error.yaml"))
    if path is None:
        return errors
    if not os.path.lexists(path):
        raise typer.BadParameter(f"{path}: no such file", param_hint="--new-film-error")
    try:
        return {**errors, **read_new_film_errors(path.absolute())}
    except ConfigError as error:
        raise typer.BadParameter(str(error), param_hint="--new-film-error") from error


def _conditions(path: Path | None, run: FinishedRun) -> Conditions:
    from raysplay.infer.named_films import NamesHiddenError, refuse_without_names
    from raysplay.infer.user_table import UserTableError
    from raysplay.infer.visit.conditions import Conditions, read_conditions

    if path is None:
        return Conditions()
    try:
        refuse_without_names(run, "the table of conditions")
        real = None if run.named is None else run.named.names
        return read_conditions(path, [run.film(i).name for i in range(run.film_count)], real=real)
    except NamesHiddenError as error:
        raise typer.BadParameter(str(error), param_hint="--name-key") from error
    except UserTableError as error:
        raise typer.BadParameter(str(error), param_hint="--conditions") from error


def _told(left: tuple[LeftOut, ...]) -> list[str]:
    return [f"Not reported: {one.film}: {one.why}" for one in left]

"""``raysplay visit``: one report a person, from films or from a finished run and its review."""

from __future__ import annotations

import contextlib
import os
import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raysplay.infer.command import CAUTION
from raysplay.infer.command_options import FilmsFolder, LandmarkWeights
from raysplay.infer.review.command import Store, open_run, open_store, store_errors, take_over_earlier

if TYPE_CHECKING:
    from raysplay.infer.outputs.finished_run import FinishedRun
    from raysplay.infer.visit.conditions import Conditions
    from raysplay.infer.visit.language import Language
    from raysplay.infer.visit.persons import LeftOut, Person
    from raysplay.infer.visit.report import ReportGround
    from raysplay.measure.reader_error import NewFilmError

NOT_REPORTED = "not_reported.csv"
"""Feet and films that are in no report, and why."""
_ENDINGS = ("html", "pdf")
_SHEET = "-sheet"


def visit(
    given: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="RUN_DIR | FILMS",
            help="Folder that `raysplay measure` wrote, or films and folders of films, which are measured first; left "
            "out, a page opens that films are dropped on.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Folder for the reports, and the run of films; made if missing."),
    ] = None,
    conditions: Annotated[
        Path | None,
        typer.Option(
            "--conditions", metavar="CSV", help="What is stated of films: person, date, worn, loading, tilt, surgery."
        ),
    ] = None,
    name_key: Annotated[
        Path | None,
        typer.Option(
            "--name-key",
            metavar="FILE",
            help="Key of the run's identifiers, if it was measured with one; for films it is made if missing.",
        ),
    ] = None,
    films: FilmsFolder = None,
    landmark_weights: LandmarkWeights = None,
    store: Store = None,
    new_film_error: Annotated[
        Path | None,
        typer.Option(
            "--new-film-error", metavar="FILE", help="Errors of repeated films; those of the shipped file give way."
        ),
    ] = None,
    person: Annotated[str | None, typer.Option("--person", metavar="CODE", help="Write this person's alone.")] = None,
    language: Annotated[
        str | None, typer.Option("--language", metavar="LANGUAGE", help="Of the reports, or of the page: en, de.")
    ] = None,
    sheets: Annotated[
        bool, typer.Option("--sheets", help="Also a sheet in plain words for each person whose feet they are.")
    ] = False,
    paper: Annotated[str, typer.Option("--paper", metavar="PAPER", help="Sheet of the PDF: A4 or Letter.")] = "A4",
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace earlier reports in the folder; never the run beside them.")
    ] = False,
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
    """Write one report a person from films or a run; without either, open the page that films are dropped on."""
    if not given:
        from raysplay.infer.clinic.command import open_desk

        if out is not None or conditions is not None:
            said = "is for the reports of a run or of films; name its folder, or them"
            raise typer.BadParameter(said, param_hint="--out, --conditions")
        open_desk(desk, port=port, reader=reader, browser=browser, language=language)
        return
    if out is None:
        raise typer.BadParameter("say where the reports go", param_hint="--out")
    if desk is not None:
        raise typer.BadParameter("is for the page without a run", param_hint="--desk")
    from raysplay.infer.films.address import as_given, is_address
    from raysplay.infer.visit.open_numbers import folder_of, review_call

    if paper not in ("A4", "Letter"):
        raise typer.BadParameter(f"{paper}: there are A4 and Letter", param_hint="--paper")
    words, errors = _language(language or "en"), _errors(new_film_error)
    given = [as_given(path) for path in given]
    run = _run_given(given)
    measured = run is None
    if run is None:
        if films is not None:
            raise typer.BadParameter("is for a run whose films were moved; here they are given", param_hint="--films")
        run = _measured(given, out, conditions, landmark_weights, name_key, store)
        opened, films = open_run(run, name_key, given), folder_of(given) if name_key else None
    else:
        if landmark_weights is not None:
            raise typer.BadParameter("is for films; a run was measured already", param_hint="--landmark-weights")
        opened = open_run(run, name_key, films)
        _say_beside(opened)
    persons, left, reads = _persons(opened, store, _conditions(conditions, opened), still_there=measured)
    if person is not None:
        known = [one.called for one in persons]
        persons = tuple(one for one in persons if one.called == person)
        if not persons:
            said = f"{person}: no such person; there are {', '.join(known) or 'none'}"
            raise typer.BadParameter(said, param_hint="--person")
    for line in _told(left):
        typer.echo(line, err=not persons)
    _hint(left, out, conditions, hidden=bool(opened.recorded.name_key), again="--overwrite" if persons else "")
    pages = {one.called: one.called.replace(" ", "_") for one in persons}
    _say_others(out, [f"{name}.html" for name in pages.values()], person)
    if not persons:
        typer.echo("Error: no foot has both a person and a date: nothing to report", err=True)
        raise typer.Exit(2)
    _write(out, persons, pages, left, _ground(opened, errors, words), paper, overwrite=overwrite, sheets=sheets)
    call = review_call(run, None if store is None else reads, name_key, films)
    if measured and is_address(given[0]):
        call += " --films DIR, a folder that holds the films under the same names"
    _say_written(out, persons, pages, call)
    typer.echo(CAUTION)


def _run_given(given: Sequence[Path]) -> Path | None:
    from raysplay.infer.visit.given import GivenError, run_given

    try:
        return run_given(given)
    except GivenError as error:
        raise typer.BadParameter(str(error), param_hint="RUN_DIR, FILMS") from error


def _measured(
    films: Sequence[Path],
    out: Path,
    conditions: Path | None,
    weights: Path | None,
    name_key: Path | None,
    store: str | None,
) -> Path:
    """The run of films; what is wrong with a table that is to be read after them is told before."""
    from raysplay.infer.user_table import UserTableError
    from raysplay.infer.visit.conditions import conditions_table
    from raysplay.infer.visit.measured_films import measured_films

    if conditions is not None:
        try:
            conditions_table(conditions)
        except UserTableError as error:
            raise typer.BadParameter(str(error), param_hint="--conditions") from error
    return measured_films(films, out, weights, name_key, store)


def _persons(
    run: FinishedRun, store: str | None, stated: Conditions, *, still_there: bool
) -> tuple[tuple[Person, ...], tuple[LeftOut, ...], str]:
    """Persons of a run, what is in no report, and where the reads are."""
    from raysplay.infer.review.films import FilmShelf
    from raysplay.infer.review.open_desk import OpenDesk
    from raysplay.infer.review.settings import review_settings
    from raysplay.infer.user_table import UserTableError
    from raysplay.infer.visit.persons import persons_of

    settings = review_settings()
    with contextlib.closing(open_store(store, run)) as reads, store_errors():
        review = OpenDesk(run, reads, FilmShelf(run, None, settings.films.cache_bytes), settings)
        take_over_earlier(review)
        for notice in (*run.changes(), *reads.notices):
            typer.echo(f"Note: {notice}", err=True)
        try:
            persons, left = persons_of(review, stated, still_there=still_there)
        except UserTableError as error:
            raise typer.BadParameter(str(error), param_hint="--conditions") from error
        return persons, left, reads.name


def _write(
    out: Path,
    persons: Sequence[Person],
    pages: dict[str, str],
    left: tuple[LeftOut, ...],
    ground: ReportGround,
    paper: str,
    *,
    overwrite: bool,
    sheets: bool,
) -> None:
    """Write what is not there yet; nothing, where a report that is there would be another one now."""
    from raysplay.infer.outputs.csv_bytes import csv_bytes
    from raysplay.infer.report.pdf_file import pdf_file
    from raysplay.infer.report.web_page import web_page
    from raysplay.infer.visit.plain_sheet import plain_sheet_of
    from raysplay.infer.visit.report import report_of
    from raysplay.infer.visit.written import ReportFolderError, check_current, check_free, standing, write_reports

    try:
        names = [*pages.values(), *(f"{one}{_SHEET}" for one in pages.values() if sheets)]
        check_free(out, [NOT_REPORTED, *(f"{one}.{end}" for one in names for end in _ENDINGS)], overwrite=True)
        files: dict[str, bytes] = {}
        for one in persons:
            papers = [("", "title", report_of(one, left, ground))]
            papers += [(_SHEET, "plain_title", plain_sheet_of(one, ground))] if sheets else []
            for ending, key, blocks in papers:
                name, title = f"{pages[one.called]}{ending}", ground.words.say(key, person=one.called)
                files[f"{name}.html"] = web_page(title, blocks).encode("utf-8")
                files[f"{name}.pdf"] = pdf_file(title, blocks, "Letter" if paper == "Letter" else "A4")
        files[NOT_REPORTED] = csv_bytes(
            ("film", "foot_index", "why"), ((one.film, one.foot_index, one.why) for one in left)
        )
        if not overwrite:
            check_current(out, files)
        there = standing(out, files)
        write_reports(out, {name: content for name, content in files.items() if name not in there}, overwrite=overwrite)
    except ReportFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error


def _ground(run: FinishedRun, errors: dict[str, NewFilmError], words: Language) -> ReportGround:
    from raysplay.infer.decide.settings import decision_settings
    from raysplay.infer.review.settings import review_settings
    from raysplay.infer.visit.report import ReportGround

    hand = review_settings().hand_placed
    return ReportGround(run.identity[:12], run.folder, run.protocol(), decision_settings(), hand, errors, words)


def _say_written(out: Path, persons: Sequence[Person], pages: dict[str, str], call: str) -> None:
    """Where every person's report is, which of its numbers nobody stands for yet, and how to settle that."""
    from raysplay.infer.visit.open_numbers import open_numbers, without_numbers

    waiting = False
    for one in persons:
        feet = "1 foot" if len(one.feet) == 1 else f"{len(one.feet)} feet"
        typer.echo(f"{out / pages[one.called]}.html, .pdf: {feet} on film")
        lines = open_numbers(one)
        waiting = waiting or bool(lines)
        for line in (*lines, *without_numbers(one)):
            typer.echo(f"  {line}")
    if waiting:
        typer.echo(f"Next: a person looks at the films and confirms these numbers: {call}")
        typer.echo("Then the same command with --overwrite writes the reports again.")


def _say_beside(run: FinishedRun) -> None:
    """Where a run lies among its own films, those that came later are none of it."""
    with contextlib.suppress(OSError):
        if run.films_folder is not None and os.path.samefile(run.films_folder, run.folder):
            typer.echo(
                f"Note: {run.folder} holds a finished run, and that is reported. Films that came into the folder later "
                "are not in it: raysplay measure reads them.",
                err=True,
            )


def _say_others(out: Path, pages: Sequence[str], person: str | None) -> None:
    """Reports in the folder that this call has no part in: they may be wrong by now."""
    from raysplay.infer.visit.left_behind import left_behind

    if not (others := left_behind(out, pages)):
        return
    if person is not None:
        typer.echo(f"Note: reports of others in {out} were not looked at: {', '.join(others)}", err=True)
    else:
        typer.echo(
            f"Note: {out} holds reports of earlier calls on persons whom this one does not know: {', '.join(others)}. "
            "If they were made from these films, whose films these are was said otherwise since: do not use them, and "
            "remove them with the PDFs beside them.",
            err=True,
        )


def _hint(left: tuple[LeftOut, ...], out: Path, conditions: Path | None, *, hidden: bool, again: str) -> None:
    """How films get into a report that nobody has put to a person or a day; a table to fill in, where none is there."""
    from raysplay.infer.visit.blank_conditions import BLANK, lacking, write_blank
    from raysplay.infer.visit.written import ReportFolderError

    films = lacking(left)
    if not films:
        return
    count = f"{len(films)} film{'' if len(films) == 1 else 's'} without a person or a day"
    table, options = "a table of conditions", ["--conditions CSV"]
    if conditions is not None:
        table, options = str(conditions), []
    elif not hidden:  # a table with names has no place beside results without
        try:
            new = write_blank(out, films)
        except ReportFolderError as error:
            raise typer.BadParameter(str(error), param_hint="--out") from error
        table = f"{out / BLANK}, which {'has a row for each' if new else 'was there and was left as it is'}"
        options = [f"--conditions {shlex.quote(str(out / BLANK))}"]
    fill = "state person (a code, never a name) and date"
    options += [again] if again else []
    call = f"call this again{' with ' if options else ''}{' '.join(options)}"
    typer.echo(f"Next: {count}: {fill} in {table}; then {call}", err=True)


def _language(name: str) -> Language:
    from raysplay.configs.load import ConfigError
    from raysplay.infer.visit.language import language

    try:
        return language(name)
    except ConfigError as error:
        raise typer.BadParameter(str(error), param_hint="--language") from error


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

"""``raysplay review``: serve the review page of a run to this machine."""

from __future__ import annotations

import contextlib
import os
import webbrowser
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raysplay.infer.command_options import FilmsFolder, NameKey

if TYPE_CHECKING:
    from raysplay.infer.outputs.finished_run import FinishedRun
    from raysplay.infer.review.blind_desk import BlindDesk
    from raysplay.infer.review.films import FilmShelf
    from raysplay.infer.review.open_desk import OpenDesk
    from raysplay.infer.review.store import ReadStore

Store = Annotated[
    str | None,
    typer.Option(
        "--store",
        metavar="URL",
        envvar="RAYSPLAY_STORE",
        help="SQL database for the reads, as SQLAlchemy writes it; review.sqlite in the run's folder if left out.",
    ),
]
RunFolder = Annotated[Path, typer.Argument(metavar="RUN_DIR", help="Folder that `raysplay measure` wrote.")]


def review(
    run: RunFolder,
    films: FilmsFolder = None,
    name_key: NameKey = None,
    store: Store = None,
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="Any free one if left out.")] = 0,
    study: Annotated[Path | None, typer.Option("--study", metavar="FILE", help="Hold a blind study.")] = None,
    reader: Annotated[str | None, typer.Option("--reader", metavar="INITIALS", help="Who reads.")] = None,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")] = True,
) -> None:
    """Look at what a run left open, correct it, and settle it, on a page that only this machine can reach."""
    from rich.console import Console

    from raysplay.infer.review.other_stores import note_store
    from raysplay.infer.review.settings import review_settings
    from raysplay.infer.review.study import initials

    review_settings()  # what is wrong with a configuration comes out first
    console = Console()
    try:
        reader = None if reader is None else initials(reader)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--reader") from error
    if films is not None and not os.path.isdir(films):
        raise typer.BadParameter(f"{films}: no such folder", param_hint="--films")
    opened = open_run(run, name_key, films)
    reads = open_store(store, opened)
    if store is not None:
        note_store(opened.folder, reads.name)
    with contextlib.closing(reads):
        with store_errors():
            desk, shelf = _desk(opened, reads, films, study, reader)
        with shelf:
            desk.warm_up()  # while the server's libraries are loaded
            from raysplay.infer.review.guard import Door
            from raysplay.infer.review.leading_page import leading_page
            from raysplay.infer.review.server import ReviewServer

            with contextlib.ExitStack() as opened_page:

                def invite(token: str) -> None:
                    opened_page.close()
                    console.print("For another browser:", server.address(token), soft_wrap=True, highlight=False)

                door = Door(reader, invite)
                try:
                    server = ReviewServer(desk, door, port)
                except OSError as error:
                    reason = f"{port} cannot be used ({error.strerror})"
                    raise typer.BadParameter(reason, param_hint="--port") from error
                address = server.address(door.token)
                for notice in (*opened.changes(), *reads.notices):
                    console.print(f"Note: {notice}", soft_wrap=True, highlight=False)
                console.print(f"{len(opened)} feet. Open, once:", address, soft_wrap=True, highlight=False)
                with store_errors():
                    count = reads.count()
                kept = f"{count} so far" if count else "none so far: a new store"
                where = (
                    f"Reads are kept in {reads.name} ({kept})." if not reads.looking_only else "Nothing can be saved."
                )
                console.print(f"{where} End with Ctrl+C.", soft_wrap=True, highlight=False)
                if browser:
                    with contextlib.suppress(OSError):  # the address is on the screen
                        page = opened_page.enter_context(leading_page(address, run))
                        webbrowser.open(page.as_uri())
                server.run()


def open_run(folder: Path, name_key: Path | None = None, films: Path | Sequence[Path] | None = None) -> FinishedRun:
    """The run in a folder; bad usage if there is none, if a table that is read was changed after it, or if the key for
    names is not its own."""
    from raysplay.infer.named_films import NamesHiddenError, named_films
    from raysplay.infer.outputs.finished_run import RunError, read_run
    from raysplay.infer.outputs.name_key import NameKeyError

    try:
        run = read_run(folder)
        run.named = named_films(run, name_key, films)
    except RunError as error:
        raise typer.BadParameter(str(error), param_hint="RUN_DIR") from error
    except (NameKeyError, NamesHiddenError) as error:
        raise typer.BadParameter(str(error), param_hint="--name-key") from error
    except FileNotFoundError as error:
        raise typer.BadParameter(str(error), param_hint="--films") from error
    return run


def open_store(url: str | None, run: FinishedRun) -> ReadStore:
    """The reads of a run; bad usage if they cannot be opened, and nothing is changed then."""
    from raysplay.infer.review.store import ReadStore, StoreError

    try:
        return ReadStore.beside(run.folder, run.identity) if url is None else ReadStore(url, run.identity)
    except StoreError as error:
        raise typer.BadParameter(str(error), param_hint="--store") from error


@contextlib.contextmanager
def store_errors() -> Iterator[None]:
    """A store that fails while a command works is bad usage, too: one sentence."""
    from raysplay.infer.review.store import StoreError

    try:
        yield
    except StoreError as error:
        raise typer.BadParameter(str(error), param_hint="--store") from error


def take_over_earlier(desk: OpenDesk) -> None:
    """Let a run take over what was read in the run that it replaced in its folder; its store notes what became of it.

    A store with an address of its own may hold other archives; its runs are left alone.
    """
    from raysplay.infer.review.carry_over import take_over

    if desk.store.beside_its_run and (carried := take_over(desk)):
        desk.store.notices = (*desk.store.notices, carried.sentence())


def _desk(
    run: FinishedRun, reads: ReadStore, films: Path | None, study: Path | None, reader: str | None
) -> tuple[OpenDesk | BlindDesk, FilmShelf]:
    from raysplay.infer.review.blind_desk import BlindDesk
    from raysplay.infer.review.films import FilmShelf
    from raysplay.infer.review.open_desk import OpenDesk
    from raysplay.infer.review.settings import review_settings
    from raysplay.infer.review.study import Study, StudyError

    settings = review_settings()
    shelf = FilmShelf(run, films, settings.films.cache_bytes)
    if study is None:
        desk = OpenDesk(run, reads, shelf, settings)
        take_over_earlier(desk)
        return desk, shelf
    try:
        held = Study(study, run, settings.repeat_distance)
    except StudyError as error:
        raise typer.BadParameter(str(error), param_hint="--study") from error
    if reader is not None and reader not in held.plan.readers:
        raise typer.BadParameter(f"{reader}: {study} does not name this reader", param_hint="--reader")
    return BlindDesk(run, reads, shelf, settings, held), shelf

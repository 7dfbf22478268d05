"""``raysplay synthesize``, ``demo-archive`` and ``distributions``: generated films, and the feet they are made of."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

CAUTION = "Generated films show no person and prove nothing about patients."


@contextmanager
def progress_bar(title: str) -> Iterator[Callable[[int, int], None]]:
    """A progress bar on the error stream; called with what is done and the whole."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
    with Progress(*columns, console=Console(stderr=True)) as progress:
        task = progress.add_task(title, total=None)
        yield lambda done, whole: progress.update(task, completed=done, total=whole)


def _empty_folder(out: Path, hint: str, may_hold_files: bool = False) -> None:
    try:
        out.mkdir(parents=True, exist_ok=True)
        holds_files = any(out.iterdir())
    except OSError as error:
        raise typer.BadParameter(f"{out}: cannot be used ({error.strerror})", param_hint=hint) from error
    if holds_files and not may_hold_files:
        raise typer.BadParameter(f"{out}: is not empty", param_hint=hint)


def _read_settings() -> None:
    """Let a wrong configuration come out before a folder is made."""
    from raysplay.synthetic_data.film.settings import archive_settings
    from raysplay.synthetic_data.settings import generator_settings

    archive_settings()
    generator_settings()


def synthesize(
    n: Annotated[int, typer.Option("--n", min=1, help="Number of films.")],
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for films/, truth.csv and truth_landmarks.csv.")
    ],
    seed: Annotated[int, typer.Option("--seed", min=0, help="Same seed, same bytes.")] = 0,
    condition: Annotated[
        str | None, typer.Option("--condition", metavar="NAME", help="Let every film show this, and nothing else.")
    ] = None,
    strength: Annotated[float, typer.Option("--strength", min=0.1, max=4.0, help="How much of the condition.")] = 1.0,
) -> None:
    """Write generated DICOM films and the true angles and landmarks of every foot on them."""
    from rich.console import Console

    from raysplay.synthetic_data.archive import FILMS, write_archive
    from raysplay.synthetic_data.film.settings import condition_settings

    _read_settings()
    try:
        settings = None if condition is None else condition_settings(condition, strength)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--condition") from error
    _empty_folder(out, "--out")
    with progress_bar("Films") as progress:
        truth = write_archive(n, seed, out, progress, settings)
    console = Console()
    console.print(f"{n} films: {out / FILMS}", highlight=False, soft_wrap=True)
    console.print(f"Their truth: {truth}", highlight=False, soft_wrap=True)
    console.print(CAUTION, style="bold")


def demo_archive(
    out: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the films.")],
    visits: Annotated[
        Path | None,
        typer.Option(
            "--visits", metavar="DIR", help="Also a folder for films of one person over time, with their table."
        ),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Write into a folder that holds files.")] = False,
) -> None:
    """Write the small archive of an invented clinic that the demonstration measures."""
    from rich.console import Console

    from raysplay.synthetic_data.demo import demo_settings, write_demo
    from raysplay.synthetic_data.demo_visits import write_visits

    _read_settings()
    demo_settings()
    _empty_folder(out, "DIR", overwrite)
    if visits is not None:
        _empty_folder(visits, "--visits", overwrite)
    with progress_bar("Films") as progress:
        write_demo(out, progress=progress)
    demo = demo_settings()
    Console().print(f"{demo.clinic} (invented): {out}", highlight=False, soft_wrap=True)
    if visits is not None:
        with progress_bar("One person's films") as progress:
            table = write_visits(visits, demo.visits, demo.seed, demo.pixel_mm, demo.clinic, progress)
        Console().print(f"One person's films over time (invented): {table.parent}", highlight=False, soft_wrap=True)


def distributions(
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder for distributions.csv and distributions.png.")],
    n: Annotated[int, typer.Option("--n", min=2, help="Generated feet.")] = 400,
) -> None:
    """Hold generated feet against published figures of people's feet: a table and a picture."""
    from raysplay.synthetic_data.distributions import write

    _read_settings()
    write(out, n)
    typer.echo(f"{n} generated feet against published figures: {out / 'distributions.csv'}")

"""``raysplay measure --select-only``: what an archive holds, told on the screen and in one table."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from rich.console import Console

    from raysplay.infer.pipeline import ReadsFeet
    from raysplay.infer.selection.archive import Holdings


def run_selection(
    paths: Iterable[Path],
    out: Path,
    *,
    overwrite: bool,
    threads: int | None,
    load: Callable[[int | None, Path | None], ReadsFeet],
    name_key: Path | None = None,
) -> None:
    """Choose among all files below ``paths``, write ``selection.csv`` into ``out`` and print the counts.

    Raises
    ------
    typer.BadParameter
        If a path is missing, or ``out`` cannot take the table.
    typer.Exit
        With the error's status, if it could not be written any more.
    """
    from rich.console import Console

    from raysplay.infer.films.decode import FilmReader
    from raysplay.infer.outputs.name_key import NameKeyError, made_or_read
    from raysplay.infer.outputs.run_folder import RunFolderError, RunStoppedError
    from raysplay.infer.selection.archive import select_into

    shown = Console(stderr=True)
    try:
        names = None
        if name_key is not None:
            names, made = made_or_read(name_key, out, make=True)
            if made:
                shown.print(f"Note: a new key was made, {name_key}. Keep it.", soft_wrap=True, highlight=False)
        with FilmReader() as films, shown.status("Loading the network") as status:
            feet = load(threads, None)
            holdings = select_into(
                paths,
                out,
                films,
                feet,
                overwrite=overwrite,
                names=names,
                progress=lambda n: status.update(f"Looked at {n} files"),
            )
    except FileNotFoundError as error:
        raise typer.BadParameter(str(error), param_hint="PATH") from error
    except NameKeyError as error:
        raise typer.BadParameter(str(error), param_hint="--name-key") from error
    except RunFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error
    except RunStoppedError as error:
        shown.print(f"Stopped: {error}", soft_wrap=True, highlight=False)
        raise typer.Exit(error.exit_status) from error
    print_holdings(holdings, Console())


def print_holdings(holdings: Holdings, console: Console) -> None:
    """Print how many files of each kind an archive holds, and what to do next."""
    from rich.table import Table

    from raysplay.infer.selection.choice import Verdict

    said = {Verdict.KEPT: "kept", Verdict.LEFT_OUT: "left out", Verdict.NOT_READ: "not read"}
    table = Table(title=f"{holdings.files} files", title_justify="left")
    for heading in ("", "What it is", "Files"):
        table.add_column(heading, justify="right" if heading == "Files" else "left")
    for verdict, total in holdings.verdicts().items():
        table.add_row(said[verdict], "", str(total))
        kinds = [(kind, n) for (one, kind), n in holdings.counts.items() if one is verdict]
        for kind, number in sorted(kinds, key=lambda pair: (-pair[1], pair[0].value)):
            table.add_row("", kind.words, str(number))
    console.print(table)
    for run in holdings.runs:
        console.print(f"Passed over: what an earlier run wrote into {run}", highlight=False, soft_wrap=True)
    if holdings.litter:
        said_litter = f"Passed over: files and folders of the operating system: {holdings.litter}"
        console.print(said_litter, highlight=False, soft_wrap=True)
    console.print(f"Every file: {holdings.table}", highlight=False, soft_wrap=True)
    console.print(
        "Kept is what shows, or may show, a dorsoplantar foot; look through what was left out before you rely on it.",
        highlight=False,
        soft_wrap=True,
    )

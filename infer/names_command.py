"""``raysplay names``: which film is which, for whoever holds the key of a run and the films."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from raysplay.infer.command_options import overwrite_option
from raysplay.infer.review.command import RunFolder

HEADER = ("identifier", "film")


def names(
    run: RunFolder,
    name_key: Annotated[Path, typer.Option("--name-key", metavar="FILE", help="Key of the run's identifiers.")],
    films: Annotated[Path, typer.Option("--films", metavar="DIR", help="Where the films lie.")],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="CSV", help="Table to write, never in RUN_DIR; the screen if left out."),
    ] = None,
    overwrite: Annotated[bool, overwrite_option("table")] = False,
) -> None:
    """Give the names of the films back to whoever holds the key of a run and the films."""
    from raysplay.infer.outputs.csv_bytes import csv_bytes
    from raysplay.infer.outputs.name_key import NameKeyError, refuse_inside
    from raysplay.infer.outputs.whole_file import write_whole
    from raysplay.infer.review.command import open_run

    if out is not None:
        try:
            refuse_inside(out, run)
        except NameKeyError:
            said = f"{out}: the names must not lie in the folder of the results"
            raise typer.BadParameter(said, param_hint="--out") from None
        if os.path.lexists(out) and not overwrite:
            raise typer.BadParameter(f"{out}: is there already; pass --overwrite", param_hint="--out")
    opened = open_run(run, name_key, films)
    assert opened.named is not None
    called = {identifier: film for film, identifier in opened.named.names.items()}
    wanted = [opened.film(number).name for number in range(opened.film_count)]
    rows = sorted(((one, called[one]) for one in wanted if one in called), key=lambda row: row[1])
    if out is None:
        for identifier, film in rows:
            typer.echo(f"{identifier}  {film}")
    else:
        try:
            write_whole(out, csv_bytes(HEADER, rows))
        except OSError as error:
            raise typer.BadParameter(f"{out}: cannot be written ({error.strerror})", param_hint="--out") from error
    typer.echo(f"{len(rows)} of {len(wanted)} films have a name again", err=True)

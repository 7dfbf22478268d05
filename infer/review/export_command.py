"""``raysplay export``: what a review settled, as tables."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import Annotated

import typer

from raysplay.infer.command import CAUTION
from raysplay.infer.command_options import out_option, overwrite_option
from raysplay.infer.review.command import RunFolder, Store, open_run, open_store, store_errors, take_over_earlier


def export(
    run: RunFolder,
    out: Annotated[Path, out_option("the tables")],
    store: Store = None,
    overwrite: Annotated[bool, overwrite_option("export")] = False,
) -> None:
    """Write the reviewed table, corrected landmarks, blind reads and the history of reads."""
    from raysplay.infer.review.films import FilmShelf
    from raysplay.infer.review.open_desk import OpenDesk
    from raysplay.infer.review.reviewed import write_reviewed
    from raysplay.infer.review.settings import review_settings

    if not overwrite and os.path.lexists(out / "feet_reviewed.csv"):
        raise typer.BadParameter(f"{out}: holds an earlier export; pass --overwrite", param_hint="--out")
    settings = review_settings()
    opened = open_run(run)
    with (
        contextlib.closing(open_store(store, opened)) as reads,
        store_errors(),
        FilmShelf(opened, None, settings.films.cache_bytes) as films,
    ):
        desk = OpenDesk(opened, reads, films, settings)
        take_over_earlier(desk)
        for notice in reads.notices:
            typer.echo(f"Note: {notice}", err=True)
        try:
            counts = write_reviewed(desk, out)
        except OSError as error:
            raise typer.BadParameter(f"{out}: cannot be written ({error.strerror})", param_hint="--out") from error
    typer.echo(f"{out / 'feet_reviewed.csv'}: {counts.feet} rows, {counts.settled} settled by a person")
    typer.echo(f"{out / 'corrected_landmarks.csv'}: {counts.landmarks} landmarks")
    typer.echo(f"{out / 'reads.csv'}: {counts.reads} numbers of blind reads")
    typer.echo(f"{out / 'history.csv'}: {counts.history} reads")
    typer.echo(CAUTION)

"""``raysplay status``: how far a run has come, asked from another terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def status(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that `raysplay measure --out` names.")],
    ledger: Annotated[
        str, typer.Option("--ledger", metavar="URL", help="Address of the ledger, if it needs a password.")
    ] = "",
) -> None:
    """Tell how far a run has come: films by decision, rate, time left, the slowest and those that gave no film."""
    from raysplay.infer.archive.status import status as state_of

    for line in state_of(folder, ledger).lines():
        typer.echo(line)

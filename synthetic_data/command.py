"""``raysplay synthesize``: an archive of generated films with its truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def synthesize(
    n: Annotated[int, typer.Option("--n", min=1, help="Number of films.")],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the films and truth.csv.")],
    seed: Annotated[int, typer.Option("--seed", min=0, help="Same seed, same bytes.")] = 0,
) -> None:
    """Write generated DICOM films and the angles they were built with."""
    from rich.console import Console

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise typer.BadParameter(
            f"{out}: cannot be written ({error.strerror})", param_hint="--out"
        ) from error
    if any(out.iterdir()):
        raise typer.BadParameter(f"{out}: is not empty", param_hint="--out")

    from raysplay.synthetic_data.archive import write_archive

    write_archive(n, seed, out)
    console = Console()
    console.print(f"{n} films and their truth: {out}", highlight=False, soft_wrap=True)
    console.print("Generated films show no person and prove nothing about patients.", style="bold")

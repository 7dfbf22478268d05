"""Options that several commands have, declared once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

Threads = Annotated[
    int | None, typer.Option("--threads", min=1, help="Films looked at at once; all cores if left out.")
]
LandmarkWeights = Annotated[
    Path | None,
    typer.Option(
        "--landmark-weights",
        metavar="FILE",
        help="Fine-tuned landmark network, or a reader that ships: careful, if left out, or quick.",
    ),
]

Accelerator = Annotated[
    str | None,
    typer.Option(
        "--accelerator",
        metavar="DEVICE",
        help="Run the networks on this device of torch: auto, cuda, cuda:1. Needs raysplay[torch].",
    ),
]

NameKey = Annotated[
    Path | None,
    typer.Option(
        "--name-key", metavar="FILE", help="Key of the run's identifiers, if it was measured with one; see --films."
    ),
]
FilmsFolder = Annotated[
    Path | None,
    typer.Option("--films", metavar="DIR", help="Where the films lie, if they were moved or --name-key is given."),
]


def out_option(holds: str) -> Any:
    """``--out DIR``: the folder that is written into, and what it will hold."""
    return typer.Option("--out", metavar="DIR", help=f"Folder for {holds}.")


def overwrite_option(what: str) -> Any:
    """``--overwrite``: whether what an earlier call left in the folder may be replaced."""
    return typer.Option("--overwrite", help=f"Replace an earlier {what} in the folder.")


def protocol_option(does: str, **attributes: Any) -> Any:
    """``--protocol FILE``, see :class:`~raysplay.infer.reading_options.ReadingOptions`."""
    return typer.Option("--protocol", metavar="FILE", help=does, **attributes)


def study_option(**attributes: Any) -> Any:
    """``--study NAME``: which of several studies whose reads one table holds."""
    return typer.Option(
        "--study", metavar="NAME", help="Study whose reads are taken, where a table holds several.", **attributes
    )

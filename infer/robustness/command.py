"""``raysplay repeatability``, ``damage`` and ``mutants``: what films changed on purpose, and broken ones, come to."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def repeatability(
    folder: Annotated[Path, typer.Argument(metavar="FILMS", help="Folder of films.")],
    landmark_weights: Annotated[
        Path | None,
        typer.Option("--landmark-weights", metavar="FILE", help="Landmark network; the shipped one if left out."),
    ] = None,
) -> None:
    """Print how far readings of one film lie apart when it is turned, made coarser and shown darker."""
    from raysplay.infer.robustness.repeatability import report

    report(folder, landmark_weights)


def damage(
    folder: Annotated[Path, typer.Argument(metavar="FILMS", help="Folder of films.")],
    out: Annotated[
        Path,
        typer.Option("--out", metavar="DIR", help="Folder for the table and the copies accepted though wrong."),
    ],
    number: Annotated[int, typer.Option("--damages", min=1, help="Damaged copies of every film.")] = 96,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Fixes every damage.")] = 1,
    dicom: Annotated[bool, typer.Option("--inside-dicom", help="Lay JPEG films into DICOM first.")] = False,
) -> None:
    """Change single bytes of every film and count what is accepted with another angle than the sound film's."""
    from raysplay.infer.robustness.damage import report

    report(folder, out, number, seed, dicom)


def mutants(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the table and the slow files.")],
    number: Annotated[int, typer.Option("--n", min=1, help="How many broken files.")] = 20000,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Fixes every file.")] = 1,
) -> None:
    """Read broken files of every format and count what becomes of them; the slowest ten are named."""
    from raysplay.infer.robustness.mutants import report

    report(out, number, seed)

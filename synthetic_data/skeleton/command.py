"""``raysplay skeleton-films MESHES OUT``: films of a digitised skeleton."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def skeleton_films(
    meshes: Annotated[
        Path, typer.Argument(metavar="MESHES", help="Folder of the meshes (infer/weights/CREDITS.md says where from).")
    ],
    out: Annotated[Path, typer.Argument(metavar="OUT", help="Folder for films/, truth.csv and truth_landmarks.csv.")],
    n: Annotated[int, typer.Option("--n", min=1, help="Number of films.")] = 60,
    settings: Annotated[
        str, typer.Option("--settings", help="A shipped skeleton, or a settings file (.yaml) of your own.")
    ] = "skeleton",
    seed: Annotated[int, typer.Option("--seed", min=0, help="Same seed, same bytes.")] = 0,
    hva: Annotated[
        tuple[float, float],
        typer.Option("--hva", metavar="LOW HIGH", help="Feet whose HVA lies within, before projection; degrees."),
    ] = (-180.0, 180.0),
) -> None:
    """Write films of a digitised skeleton, whose bones the generator never made, with their truth."""
    from raysplay.configs.load import ConfigError
    from raysplay.synthetic_data.skeleton.films import read_skeleton, write_skeleton_archive
    from raysplay.synthetic_data.skeleton.meshes import SkeletonError
    from raysplay.synthetic_data.skeleton.settings import skeleton_settings

    try:
        chosen = skeleton_settings(settings)
        truth = write_skeleton_archive(read_skeleton(meshes, chosen), chosen, n, seed, out, hva=hva)
    except ConfigError as error:
        raise typer.BadParameter(str(error), param_hint="--settings") from error
    except SkeletonError as error:
        raise typer.BadParameter(str(error), param_hint="MESHES") from error
    typer.echo(f"{n} films and their truth: {truth}")

"""``raysplay skeleton-films MESHES OUT``: films of a digitised skeleton."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from raysplay.synthetic_data.skeleton.flesh_shape import FleshShape


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
    soft_parts: Annotated[
        tuple[float, float] | None,
        typer.Option("--soft-parts", metavar="LOW HIGH", help="How many times as thick as usual soft parts are."),
    ] = None,
    skin_edge: Annotated[
        tuple[float, float],
        typer.Option("--skin-edge", metavar="LOW HIGH", help="Over how many mm the edge of the skin fades."),
    ] = (0.0, 0.0),
    soft_shape: Annotated[
        FleshShape,
        typer.Option("--soft-shape", help="As a foot, as one round body about all bones, or as a layer along them."),
    ] = FleshShape.FOOT,
    condition: Annotated[
        str | None, typer.Option("--condition", metavar="NAME", help="As of synthesize: let every film show this.")
    ] = None,
) -> None:
    """Write films of a digitised skeleton, whose bones the generator never made, with their truth."""
    from raysplay.configs.load import ConfigError
    from raysplay.synthetic_data.film.settings import condition_settings
    from raysplay.synthetic_data.skeleton.films import read_skeleton, write_skeleton_archive
    from raysplay.synthetic_data.skeleton.flesh import Flesh
    from raysplay.synthetic_data.skeleton.meshes import SkeletonError
    from raysplay.synthetic_data.skeleton.settings import skeleton_settings

    for name, limits, least in (("--soft-parts", soft_parts or (1.0, 1.0), 0.3), ("--skin-edge", skin_edge, 0.0)):
        if not least <= limits[0] <= limits[1]:
            raise typer.BadParameter(f"wants {least:g} <= LOW <= HIGH", param_hint=name)
    flesh = Flesh(soft_parts, skin_edge, soft_shape)
    try:
        shown = None if condition is None else condition_settings(condition)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--condition") from error
    try:
        chosen = skeleton_settings(settings)
        bones = read_skeleton(meshes, chosen)
        truth = write_skeleton_archive(bones, chosen, n, seed, out, hva=hva, flesh=flesh, settings=shown)
    except ConfigError as error:
        raise typer.BadParameter(str(error), param_hint="--settings") from error
    except SkeletonError as error:
        raise typer.BadParameter(str(error), param_hint="MESHES") from error
    typer.echo(f"{n} films and their truth: {truth}")

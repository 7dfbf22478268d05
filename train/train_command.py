"""``raysplay train``: trains a network on generated films."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def train(
    config: Annotated[Path, typer.Argument(metavar="CONFIG", help="Training configuration (YAML).")],
    films: Annotated[
        Path | None, typer.Option("--films", metavar="DIR", help="Own films to train on beside generated feet.")
    ] = None,
    landmarks: Annotated[
        Path | None,
        typer.Option(
            "--landmarks",
            metavar="FILE",
            help="CSV of their landmarks: film (path below DIR), foot (L or R), foot_index, landmark, x, y. Commas, "
            "semicolons or tabs; decimal points or commas.",
        ),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Go on from where this training was stopped or paused.")
    ] = False,
    pause_after: Annotated[
        float | None,
        typer.Option("--pause-after", metavar="MINUTES", min=0.0, help="Pause then, to be resumed later."),
    ] = None,
) -> None:
    """Train a network on generated films, and on own ones with train_finetune.yaml."""
    from raysplay.configs.load import CONFIG_DIR

    if not config.is_file() and not (CONFIG_DIR / config).is_file():
        raise typer.BadParameter(f"{config}: no such file", param_hint="CONFIG")

    if (films is None) != (landmarks is None):
        raise typer.BadParameter("--films and --landmarks go together")

    from raysplay.train.fit import run
    from raysplay.train.real_crops.own_films import FinetuneFilmsError
    from raysplay.train.real_crops.real_films import RealFilmsError

    try:
        weights = run(config, films, landmarks, resume=resume, pause_after=pause_after)
    except FinetuneFilmsError as error:
        raise typer.BadParameter(str(error), param_hint="--landmarks") from error
    except RealFilmsError as error:
        raise typer.BadParameter(str(error), param_hint="CONFIG: real_films") from error
    typer.echo(f"Weights: {weights}")

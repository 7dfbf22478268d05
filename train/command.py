"""``raysplay train``: trains a network on generated films."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def train(
    config: Annotated[Path, typer.Argument(metavar="CONFIG", help="Training configuration (YAML).")],
) -> None:
    """Train a network on generated films."""
    from raysplay.configs.load import CONFIG_DIR

    if not config.is_file() and not (CONFIG_DIR / config).is_file():
        raise typer.BadParameter(f"{config}: no such file", param_hint="CONFIG")

    from raysplay.train.fit import run

    run(config)

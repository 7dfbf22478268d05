"""Trains the network of characters: ``python -m raysplay.train.character_fit [CONFIG] --out FILE``.

On drawn lines alone, on one core of the processor; the same configuration gives the same weights on one kind of
processor. What it comes to on films stands in ``infer/films/GUIDE.md``.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
import numpy.typing as npt
import typer

from raysplay.configs.load import load
from raysplay.infer.films.character_network import NETWORK, CharacterNetwork
from raysplay.infer.network.weights import save_weights
from raysplay.train.character_scenes import scene
from raysplay.train.character_settings import CharacterTraining
from raysplay.train.patch_fit import PatchNet, fit_patches


def drawn(training: CharacterTraining) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.int64]]:
    """Patches (N, P, P) and what each shows, of all lines."""
    found = [one for k in range(training.scenes) for one in scene(np.random.default_rng([training.seed, k]), training)]
    return np.stack([piece.patch for piece, _ in found]), np.array([kind for _, kind in found])


def fit(training: CharacterTraining) -> PatchNet:
    """The trained network."""
    return fit_patches(drawn(training), CharacterNetwork.shapes, training)


def main(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Weights to write.")],
    config: Annotated[Path, typer.Argument(metavar="CONFIG")] = Path("character_fit.yaml"),
) -> None:
    """Train the network of characters."""
    training = load(CharacterTraining, config)
    save_weights(fit(training), out, {"network": NETWORK, "seed": str(training.seed)})


if __name__ == "__main__":
    typer.run(main)

"""Trains the network of side letters: ``python -m raysplay.train.side_letter_fit [CONFIG] --out FILE``.

On drawn letters alone, on one core of the processor; the same configuration gives the same weights on one kind of
processor. What it comes to on films stands in ``infer/films/GUIDE.md``.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
import numpy.typing as npt
import typer

from raysplay.configs.load import load
from raysplay.infer.films.letter_network import NETWORK, LetterNetwork
from raysplay.infer.network.weights import save_weights
from raysplay.infer.settings import reading_settings
from raysplay.train.patch_fit import PatchNet, fit_patches
from raysplay.train.side_letter_scenes import scene
from raysplay.train.side_letter_settings import SideLetterTraining


def drawn(training: SideLetterTraining) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.int64]]:
    """Patches (N, P, P) and what each shows, of all scenes."""
    settings = reading_settings().side_letters
    patches, kinds = [], []
    for k in range(training.scenes):
        for part, kind in scene(np.random.default_rng([training.seed, k]), training, settings):
            patches.append(part.patch)
            kinds.append(kind)
    return np.stack(patches), np.array(kinds)


def fit(training: SideLetterTraining) -> PatchNet:
    """The trained network."""
    return fit_patches(drawn(training), LetterNetwork.shapes, training)


def main(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Weights to write.")],
    config: Annotated[Path, typer.Argument(metavar="CONFIG")] = Path("side_letter_fit.yaml"),
) -> None:
    """Train the network of side letters."""
    training = load(SideLetterTraining, config)
    save_weights(fit(training), out, {"network": NETWORK, "seed": str(training.seed)})


if __name__ == "__main__":
    typer.run(main)

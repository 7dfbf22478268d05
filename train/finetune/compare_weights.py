"""Errors of several weights on the same generated crops: ``python -m raysplay.train.finetune.compare_weights FILE...``.

What a change of training bought is the difference between two rows. Crops are those of the fine-tuning study: as a
reader would lay them, nothing wrong with the feet; finding the foot and decoding play no part.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from raysplay.configs import landmark_schema
from raysplay.configs.load import load, shipped
from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.weights import load_weights
from raysplay.synthetic_data.settings import GeneratorSettings, generator_settings
from raysplay.train.feed import device_of
from raysplay.train.finetune.study import MEASURES, SHIFTS, read, render, shifted_generators, value_errors, write_films
from raysplay.train.real_crops.real_films import RealCrops, load_real_crops
from raysplay.train.settings import TrainSettings


def crops_of(generator: GeneratorSettings, base: TrainSettings, count: int, seed: int, out: Path) -> RealCrops:
    """``count`` crops of feet drawn by ``generator``, on the training device."""
    device = device_of(base.device)
    return load_real_crops(write_films(out, render(generator, base.pool, count, seed, device), slice(0, count)), device)


def main(
    weights: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Landmark weights.")],
    count: Annotated[int, typer.Option("--n", min=2, help="Crops from each generator.")] = 400,
    seed: Annotated[int, typer.Option(help="Named by no training configuration.")] = 20261231,
    shifts: Annotated[Path, typer.Option(help="Further generators, by what they change.")] = SHIFTS,
) -> None:
    """Print mean absolute error and 95th percentile of HVA and IMA of every file, on several generators."""
    base = load(TrainSettings, shipped("train_finetune.yaml"))
    generators = {"shipped": generator_settings()} | shifted_generators(shifts)
    network = LandmarkNetwork(len(landmark_schema())).to(device_of(base.device)).eval()
    columns = [f"{name.upper()} mean, 95 %" for name in MEASURES]
    typer.echo(f"| weights | generator | {' | '.join(columns)} |\n|---|---|{'---|' * len(columns)}")
    for name, generator in generators.items():
        with tempfile.TemporaryDirectory(prefix="raysplay-") as scratch:
            crops = crops_of(generator, base, count, seed, Path(scratch))
        for path in weights:
            load_weights(network, path)
            off = value_errors(read(network, crops), crops)
            cells = [f"{np.nanmean(off[m]):.2f}°, {np.nanpercentile(off[m], 95):.2f}°" for m in MEASURES]
            typer.echo(f"| {path.parent.name}/{path.name} | {name} | {' | '.join(cells)} |")


if __name__ == "__main__":
    typer.run(main)

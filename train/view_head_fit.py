"""Fits the view head anew: ``python -m raysplay.train.view_head_fit WEIGHTS REAL ARCHIVE...``.

What a crop shows is told from the pooled features of the landmark network by a small head. Where some crops it was
trained on bore the wrong view, the head alone is fitted again, on the features of generated films with truth (ARCHIVE:
films/ and truth.csv) and of real crops of known view (REAL, see ``real_crops.gather``); nothing else changes, so that
landmarks stay where they were. Evaluate on other films.
"""

from __future__ import annotations

import json
from collections import defaultdict
from pathlib import Path
from typing import Annotated

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
import typer
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.configs.views import VIEWS
from raysplay.infer.compare.truth import read_truth
from raysplay.infer.films.collect import collect
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.weights import load_weights, save_weights
from raysplay.infer.shipped_weights import WEIGHTS_DIR
from raysplay.infer.user_table import UserTableError
from raysplay.infer.warp import crop
from raysplay.synthetic_data.archive import FILMS, TRUTH
from raysplay.train.familiarity import pooled_features
from raysplay.train.landmark_batch import real_batch
from raysplay.train.real_crops.real_films import RealCrops, RealFilmsError, load_real_crops

BATCH, BATCHES = 32, 44
"""Real crops laid at once, and how often."""

SAMPLE = 256
"""Features in a step."""

NOISE = 0.05
"""Spread of the noise on features, as a share of their own."""

KEEP = 0.3
"""Weight of the divergence from what the head said before, on generated films."""

DRIFT = 1e-4
"""Weight of the squared distance from the weights it had."""

STEPS, RATE = 3000, 3e-4

Features = tuple[Tensor, Tensor]
"""Pooled features (N, F) of crops, and the number in ``VIEWS`` of what each shows (N,)."""


def archive_features(network: LandmarkNetwork, reader: FootReader, archive: Path) -> Features:
    """Of every foot found on generated films whose view the truth tells: by film, or by side where views differ."""
    truth = defaultdict(list)
    for foot in read_truth(archive / TRUTH):
        truth[foot.film].append(foot)
    kept, views = [], []
    with FilmReader() as films:
        for candidate in collect([archive / FILMS]).candidates:
            try:
                film = films.read(candidate.path)
            except FilmRejected:
                continue
            for found in reader.find(film):
                of_film = truth[candidate.name]
                shown = {foot.view for foot in of_film}
                if len(shown) > 1:
                    shown = {foot.view for foot in of_film if foot.side == found.side}
                if len(shown) != 1:
                    continue
                read = reader.landmarks(film, found)
                picture = crop(film.pixels, read.foot.film_from_crop, reader.settings.crop_size)
                kept.append(pooled_features(network, torch.from_numpy(picture)[None]))
                views.append(VIEWS.index(shown.pop()))
    return torch.cat(kept), torch.tensor(views)


def crop_features(network: LandmarkNetwork, real: RealCrops, batches: int = BATCHES, seed: int = 3) -> Features:
    """Of real crops, each laid and lit anew every time; views are drawn equally often."""
    rng, generator = np.random.default_rng(seed), torch.Generator().manual_seed(seed)
    laid = [real_batch(real, BATCH, rng, generator, None) for _ in range(batches)]
    return torch.cat([pooled_features(network, batch.images) for batch in laid]), torch.cat([b.view for b in laid])


def fit_view_head(
    network: LandmarkNetwork, generated: Features, real: Features, steps: int = STEPS, seed: int = 2
) -> dict[str, dict[str, float]]:
    """Fit ``network.view``; returns, by source and view, the mean probability of the right view before and after.

    Cross entropy over both sources, which count alike; within each, the views by their number to the power of 0.7. On
    generated crops the head is also held to what it said before, which generated crops in plenty had taught it.
    """
    x, y = (torch.cat(parts) for parts in zip(generated, real, strict=True))
    is_real = torch.arange(len(y)) >= len(generated[1])
    kind = y + len(VIEWS) * is_real
    weight = torch.bincount(kind).float()[kind] ** -0.3
    for source in (is_real, ~is_real):
        weight[source] *= 0.5 * len(y) / weight[source].sum()
    with torch.no_grad():
        before = F.softmax(network.view(x), 1)
    start = [p.detach().clone() for p in network.view.parameters()]
    optimiser = torch.optim.Adam(network.view.parameters(), lr=RATE)
    draw = torch.Generator().manual_seed(seed)
    for _ in range(steps):
        i = torch.randint(len(y), (SAMPLE,), generator=draw)
        noisy = x[i] + NOISE * x.std(0) * torch.randn(SAMPLE, x.shape[1], generator=draw)
        said = F.log_softmax(network.view(noisy), 1)
        right = (F.nll_loss(said, y[i], reduction="none") * weight[i]).mean()
        apart = F.kl_div(said, before[i], reduction="none").sum(1)
        drift = torch.stack([((p - q) ** 2).sum() for p, q in zip(network.view.parameters(), start, strict=True)])
        loss = right + KEEP * (apart * ~is_real[i]).mean() + DRIFT * drift.sum()
        optimiser.zero_grad()
        loss.backward()  # type: ignore[no-untyped-call]
        optimiser.step()
    with torch.no_grad():
        after = F.softmax(network.view(x), 1)
    figures = {}
    for k in torch.unique(kind).tolist():
        chosen, view = kind == k, k % len(VIEWS)
        figures[f"{'real' if k >= len(VIEWS) else 'generated'} {VIEWS[view]}"] = {
            "crops": int(chosen.sum()),
            "before": round(float(before[chosen, view].mean()), 3),
            "after": round(float(after[chosen, view].mean()), 3),
        }
    return figures


def main(
    weights: Annotated[Path, typer.Argument(help="Landmark weights; rewritten.")],
    real: Annotated[Path, typer.Argument(help="Folder of real crops made by real_crops.gather.")],
    archives: Annotated[
        list[Path], typer.Argument(metavar="ARCHIVE...", help="Generated films with truth, as synthesize writes them.")
    ],
) -> None:
    """Fit the view head of WEIGHTS and print what it says of both kinds of crops before and after."""
    try:
        crops = load_real_crops(real, torch.device("cpu"))
        # Read once before the long work, for what is wrong with them.
        for archive in archives:
            read_truth(archive / TRUTH)
    except (UserTableError, RealFilmsError) as error:
        raise typer.BadParameter(str(error)) from error
    network = LandmarkNetwork(len(landmark_schema()))
    description = load_weights(network, weights)
    network.eval()
    reader = FootReader(WEIGHTS_DIR / "locator.safetensors", weights)
    read = [archive_features(network, reader, archive) for archive in archives]
    generated = torch.cat([features for features, _ in read]), torch.cat([views for _, views in read])
    figures = fit_view_head(network, generated, crop_features(network, crops))
    save_weights(network, weights, description | {"view_head": json.dumps(figures)})
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    typer.run(main)

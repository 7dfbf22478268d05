"""What usual films look like to the landmark network: ``python -m raysplay.train.familiarity WEIGHTS [--n 2000]``.

Runs the network over fresh dorsoplantar crops without conditions and writes mean and whitening of its pooled features
into the weights (buffers ``usual`` and ``whiten``). The strangeness of a film is then the squared Mahalanobis distance
of its features, divided by their number: about 1 for films like those. (Lee and others 2018, "A simple unified
framework for detecting out-of-distribution samples", use this distance on features.) To be run again after any
training, as training itself does at its end.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import Annotated

import numpy as np
import numpy.typing as npt
import torch
import typer
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.configs.load import load, shipped
from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.lean_landmark_network import LeanLandmarkNetwork
from raysplay.infer.network.weights import load_weights, save_weights
from raysplay.train.feed import Batch, Source, device_of
from raysplay.train.landmark_batch import LandmarkBatch
from raysplay.train.real_crops.real_films import RealCrops, RealFilmsError
from raysplay.train.settings import TrainSettings

FloatArray = npt.NDArray[np.float64]

REAL_SHARE = 0.33
"""Part of the crops that are real where a folder of them is given."""

PooledNetwork = LandmarkNetwork | LeanLandmarkNetwork
"""Networks whose features are pooled at ``context``."""

CHECK_SHARE = 0.3
"""Part of the features that is kept out of the fit and sets its scale."""


def usual(batch: LandmarkBatch) -> Tensor:
    """Which crops (B,) count as usual: dorsoplantar, and nothing known to be wrong."""
    return (batch.view == VIEWS.index("dp")) & ~(batch.conditions == 1).any(1)


@torch.inference_mode()
def pooled_features(network: PooledNetwork, images: Tensor) -> Tensor:
    """Mean of the context features over each crop, (B, F): what ``strangeness`` is taken of."""
    kept: list[Tensor] = []
    hook = network.context.register_forward_hook(lambda module, inputs, output: kept.append(output))
    network(images)
    hook.remove()
    return kept[0].mean((2, 3)).float()


def shrunk_covariance(features: FloatArray) -> tuple[FloatArray, float]:
    """Covariance (F, F) of (N, F) features, drawn towards a multiple of the unit matrix, and how far, 0 to 1.

    Ledoit and Wolf 2004, "A well-conditioned estimator for large-dimensional covariance matrices", J Multivariate Anal
    88, 365: the share that makes the expected squared error least.
    """
    n, count = features.shape
    x = features - features.mean(0)
    sample = x.T @ x / n
    mean = np.trace(sample) / count
    target = mean * np.eye(count)
    distance = ((sample - target) ** 2).sum()
    # Sum over rows of |x x' - S|^2, without forming the outer products.
    noise = (((x**2).sum(1) ** 2).sum() - n * (sample**2).sum()) / n**2
    share = float(min(1.0, noise / distance)) if distance > 0 else 1.0
    return (1 - share) * sample + share * target, share


def fit_familiarity(network: PooledNetwork, features: Tensor, seed: int = 0) -> dict[str, float]:
    """Set ``usual`` and ``whiten`` of ``network`` from (N, F) features; returns figures of the fit.

    The scale is set on features kept out, after both buffers were rounded to the half precision that they are stored
    in, so that strangeness as read from the file is 1 on average.

    Parameters
    ----------
    network : LandmarkNetwork or LeanLandmarkNetwork
        Changed in place.
    features : Tensor, shape (N, F)
    seed : int
        Of the choice of features that are kept out.

    Returns
    -------
    dict of str to float
        Number of crops, shrinkage of the covariance, and median and percentiles of strangeness kept out.

    Raises
    ------
    ValueError
        If features vary too little for half precision.
    """
    values = features.double().cpu().numpy()
    order = np.random.default_rng(seed).permutation(len(values))
    kept_out = values[order[: round(CHECK_SHARE * len(values))]]
    fitted = values[order[len(kept_out) :]]
    covariance, share = shrunk_covariance(fitted)
    scale, axes = np.linalg.eigh(covariance)
    centre = _half(fitted.mean(0))
    whiten = axes / np.sqrt(scale.clip(scale.max() * 1e-8))
    whiten = _half(whiten / np.sqrt(_strangeness(kept_out, centre, _half(whiten)).mean()))
    if not np.isfinite(whiten).all():
        raise ValueError("features vary too little for half precision")
    network.usual.copy_(torch.as_tensor(centre))
    network.whiten.copy_(torch.as_tensor(whiten))
    check = _strangeness(kept_out, centre, whiten)
    return {
        "crops": float(len(values)),
        "shrinkage": round(share, 4),
        "median": round(float(np.median(check)), 3),
        "p95": round(float(np.quantile(check, 0.95)), 3),
        "p99": round(float(np.quantile(check, 0.99)), 3),
    }


def _half(values: FloatArray) -> FloatArray:
    return values.astype(np.float16).astype(np.float64)


def _strangeness(features: FloatArray, centre: FloatArray, whiten: FloatArray) -> FloatArray:
    squared: FloatArray = (((features - centre) @ whiten) ** 2).mean(1)
    return squared


def gather_features(network: PooledNetwork, take: Callable[[], Batch], count: int) -> Tensor:
    """Features (count, F) of the usual crops among batches that ``take`` gives.

    Parameters
    ----------
    network : LandmarkNetwork or LeanLandmarkNetwork
    take : callable
        Gives one batch after another, without end.
    count : int

    Returns
    -------
    Tensor, shape (count, F)
    """
    found: list[Tensor] = []
    while sum(len(f) for f in found) < count:
        batch = take().landmarks
        assert batch is not None
        chosen = usual(batch)
        if chosen.any():
            found.append(pooled_features(network, batch.images[chosen]))
    return torch.cat(found)[:count]


def main(
    weights: Annotated[Path, typer.Argument(help="Landmark weights; rewritten.")],
    n: Annotated[int, typer.Option(help="Crops.")] = 2000,
    real: Annotated[Path | None, typer.Option(help="Folder of real crops made by real_crops.gather.")] = None,
    seed: Annotated[int, typer.Option(help="Of the generated feet.")] = 20261299,
) -> None:
    """Write what usual films look like into WEIGHTS."""
    settings = load(TrainSettings, shipped("train_landmarks.yaml"))
    pool = settings.pool.model_copy(update={"size": 1024, "view_shares": {"dp": 1.0}, "condition_shares": {}})
    changes = {"real_films": real, "real_share": REAL_SHARE, "consistency_share": 0.0, "pool": pool}
    device = device_of("auto")
    try:
        source = Source(settings.model_copy(update=changes), seed, device)
    except RealFilmsError as error:
        raise typer.BadParameter(str(error), param_hint="--real") from error
    if source.real is not None:
        chosen = (source.real.view == VIEWS.index("dp")) & ~(source.real.conditions == 1).any(1)
        source.real = RealCrops(*(getattr(source.real, f.name)[chosen] for f in fields(source.real)))
    network = LandmarkNetwork(len(landmark_schema()))
    description = load_weights(network, weights)
    network.eval().to(device)
    figures = fit_familiarity(network, gather_features(network, source.cut, n))
    source.pool.close()
    save_weights(network, weights, description | {"familiarity": json.dumps(figures)})
    print(json.dumps(figures))


if __name__ == "__main__":
    typer.run(main)

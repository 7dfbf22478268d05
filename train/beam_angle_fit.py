"""Fits the beam's angle to landmarks: ``python -m raysplay.train.beam_angle_fit [CONFIG] --out FILE``.

On generated feet alone, in three minutes on one core of the processor; the same configuration gives the same weights on
one kind of processor. What it comes to on films stands in ``infer/weights/MODEL_CARD.md``.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
import torch
import typer
from safetensors.numpy import save_file

from raysplay.configs.load import landmark_schema, load
from raysplay.infer.beam.angle_model import NETWORK, AngleModel, FloatArray, landmarks_known, lay, laying_corners
from raysplay.train.beam_angle_feet import ShownFeet, shown_feet
from raysplay.train.beam_angle_settings import BeamAngleTraining

_ROUNDS = 3
"""Of laying feet over their mean and taking it anew; it stands still by then."""


def fit(feet: ShownFeet, reading_sd: float) -> AngleModel:
    """The normal distribution of laid landmarks and angle, of feet that have every landmark.

    Parameters
    ----------
    feet : ShownFeet
    reading_sd : float
        Standard deviation that is added to every coordinate, in units of the template.
    """
    corners = laying_corners(landmark_schema())
    whole = np.isfinite(feet.points).all((1, 2))
    points, angle = feet.points[whole], feet.angle[whole]
    template = _unit(points[0], corners)
    for _ in range(_ROUNDS):
        laid = laid_over(points, template, corners)
        template = _unit(laid.mean(0), corners)
    laid = laid_over(points, template, corners).reshape(len(points), -1)
    mean, away = laid.mean(0), angle - angle.mean()
    return AngleModel(
        corners,
        template,
        mean,
        np.cov(laid.T) + np.eye(len(mean)) * reading_sd**2,
        (laid - mean).T @ away / (len(away) - 1),
        np.array([angle.mean(), angle.var(ddof=1)]),
    )


def _unit(points: FloatArray, corners: list[int]) -> FloatArray:
    centred = points - points[corners].mean(0)
    size = np.sqrt((centred[corners] ** 2).sum(1).mean())
    unit: FloatArray = centred / size
    return unit


def laid_over(points: FloatArray, template: FloatArray, corners: list[int]) -> FloatArray:
    """Every foot laid over the template.

    Parameters
    ----------
    points : ndarray, shape (N, L, 2)
    template : ndarray, shape (L, 2)
    corners : list of int
        See :func:`~raysplay.infer.beam.angle_model.laying_corners`.

    Returns
    -------
    ndarray, shape (N, L, 2)
        In units of the template.

    Raises
    ------
    ValueError
        If one of them lacks its corners.
    """
    laid = [lay(one, template, corners) for one in points]
    if any(one is None for one in laid):
        raise ValueError("a foot lacks the corners that it is laid by")
    return np.stack([one[0] for one in laid if one is not None])


def save(model: AngleModel, path: Path, seed: int) -> None:
    """Write a model as a weights file, in single precision."""
    tensors = {
        name: np.ascontiguousarray(getattr(model, name), np.float32)
        for name in ("template", "mean", "covariance", "with_angle", "angle")
    }
    about = {"network": NETWORK, "landmarks": landmarks_known(landmark_schema()), "seed": str(seed)}
    path.parent.mkdir(parents=True, exist_ok=True)
    save_file(tensors, str(path), metadata=about)


def main(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Weights to write.")],
    config: Annotated[Path, typer.Argument(metavar="CONFIG")] = Path("beam_angle_fit.yaml"),
) -> None:
    """Fit the beam's angle to the landmarks of generated feet."""
    torch.set_num_threads(1)
    training = load(BeamAngleTraining, config)
    feet = shown_feet(training, training.seed)
    save(fit(feet, training.reading_sd), out, training.seed)
    typer.echo(f"{len(feet.angle)} shadows of {training.feet} feet: {out}")


if __name__ == "__main__":
    typer.run(main)

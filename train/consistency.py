"""Self-training on real crops without landmarks: two pictures of one crop must give the same points.

The running average of the weights reads the crop nearly as stored; the network in training reads it laid otherwise and
otherwise lit, and shall place its points where the average placed them. (A mean teacher: Tarvainen and Valpola 2017,
"Mean teachers are better role models".) Only what the average is sure of counts.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import torch
from torch import Tensor

from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import STRIDE, LandmarkPrediction
from raysplay.infer.settings import reading_settings
from raysplay.train.degrade import archive, degrade_settings, vary_grey
from raysplay.train.intensity import Intensity
from raysplay.train.landmark_batch import REAL_PIXEL_MM, crop_jitter
from raysplay.train.losses import map_loss, place_loss
from raysplay.train.real_crops.real_films import MARGIN, RealCrops
from raysplay.train.warp import warp

CONFIDENT = 0.6
"""Landmarks of which the teacher is less sure are not used."""

SPREAD_MAX = 1.5 * STRIDE
"""Nor are those whose predicted standard deviation, in crop pixels, is wider."""

TEACHER_SHARE = 0.25
"""How far the teacher's crop is laid off, as a part of what the other is."""


@dataclass(frozen=True)
class CropPairs:
    """Two pictures of each of P real crops: ``seen`` by the teacher, ``shown`` to the network in training, both
    (P, R, C); ``shown_from_seen`` (P, 3, 3) carries the points of one to the other."""

    seen: Tensor
    shown: Tensor
    shown_from_seen: Tensor


def unlabelled(real: RealCrops) -> Tensor:
    """Numbers of the dorsoplantar crops without landmarks."""
    return torch.nonzero((real.view == VIEWS.index("dp")) & ~real.known.any(1)).squeeze(1)


@torch.no_grad()
def crop_pairs(
    real: RealCrops, count: int, rng: np.random.Generator, generator: torch.Generator, intensity: Intensity | None
) -> CropPairs:
    """Lay and light ``count`` unlabelled crops twice."""
    size, device = reading_settings().crop_size, real.images.device
    usable = unlabelled(real)
    number = usable[torch.as_tensor(rng.integers(len(usable), size=count), device=device)]
    stored = real.images[number][:, None].float() / 255
    # Between the stored place and a jittered one lies a similarity about the same centre.
    mild = np.eye(3) + TEACHER_SHARE * (crop_jitter(rng, count, size) - np.eye(3))
    matrices = []
    for laid in (mild, crop_jitter(rng, count, size)):
        laid[:, :2, 2] += MARGIN
        matrices.append(torch.as_tensor(laid, dtype=torch.float32, device=device))
    seen, shown = (warp(stored, matrix, size)[:, 0] for matrix in matrices)
    shown = vary_grey(shown, rng, generator)
    shown = archive(shown, REAL_PIXEL_MM, rng, degrade_settings().landmarks)
    if intensity is not None:
        shown = intensity(shown, rng)
    return CropPairs(seen, shown, torch.linalg.inv(matrices[1]) @ matrices[0])


def split(prediction: LandmarkPrediction, count: int) -> tuple[LandmarkPrediction, LandmarkPrediction]:
    """What was said of the first ``count`` crops, and of the rest."""
    parts = [getattr(prediction, f.name).split([count, len(prediction.view) - count]) for f in fields(prediction)]
    return LandmarkPrediction(*(p[0] for p in parts)), LandmarkPrediction(*(p[1] for p in parts))


def consistency_loss(teacher: LandmarkPrediction, student: LandmarkPrediction, pairs: CropPairs) -> Tensor:
    """Map and place losses of the student to the teacher's points, where the teacher is sure and the point is in view.

    The same two terms as on generated feet (``train/losses.py``), so that the gradient reaches lost points too.

    Parameters
    ----------
    teacher : LandmarkPrediction
        Of the crops as seen by the running average.
    student : LandmarkPrediction
        Of the same crops as shown to the network in training.
    pairs : CropPairs

    Returns
    -------
    Tensor, scalar
    """
    rows, columns = pairs.shown.shape[1:]
    linear, shift = pairs.shown_from_seen[:, :2, :2], pairs.shown_from_seen[:, None, :2, 2]
    at = teacher.points @ linear.transpose(1, 2) + shift
    inside = (at[..., 0] > 0) & (at[..., 0] < columns - 1) & (at[..., 1] > 0) & (at[..., 1] < rows - 1)
    l11, l21, l22 = teacher.spread.unbind(-1)
    wide = torch.maximum(l11, torch.hypot(l21, l22)) > SPREAD_MAX
    weight = (inside & ~wide & (torch.sigmoid(teacher.confidence) > CONFIDENT)).float()
    return map_loss(student.maps, at, weight) + place_loss(student.points, at, weight)

"""Distillation: a small network learns, beside the truth, what a larger one says of the same crops.

(Hinton, Vinyals and Dean 2015, "Distilling the knowledge in a neural network".) Where a place cannot be known from the
picture, the larger network's map says how far it can; the truth of one draw does not.
"""

from __future__ import annotations

import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.infer.network.landmark_network import LandmarkPrediction
from raysplay.train.losses import place_loss


def distil_loss(taught: LandmarkPrediction, student: LandmarkPrediction, weight: Tensor) -> Tensor:
    """Cross entropy of the student's maps to those of the teacher, and distance of their points in cells.

    Doubt is not handed on: the student has its own errors to tell.

    Parameters
    ----------
    taught, student : LandmarkPrediction
        Of the same B crops.
    weight : Tensor, shape (B, L)

    Returns
    -------
    Tensor, scalar
    """
    share = F.softmax(taught.maps.flatten(2), dim=2)
    cross = -(share * F.log_softmax(student.maps.flatten(2), dim=2)).sum(2)
    maps = (cross * weight).sum() / weight.sum().clamp_min(1)
    return maps + place_loss(student.points, taught.points, weight)

"""What the networks are trained to minimise."""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.infer.network.landmark_network import STRIDE, VIEWS, LandmarkPrediction, cell_centres
from raysplay.train.landmark_batch import LandmarkBatch

TARGET_SPREAD = 1.1
"""Spread of a target map in cells."""

TOLERANCE_MM = 2.5
"""A landmark counts as found within this distance of the truth."""


def axis_indices() -> Tensor:
    """Landmarks of each shaft axis, shape (X, 4): proximal medial, proximal lateral, distal medial, distal lateral."""
    schema = landmark_schema()
    bones = [code[:-5] for code in schema.codes if code.endswith("p_med") and code[:-5] + "d_lat" in schema.codes]
    return torch.tensor([[schema.index(b + e) for e in ("p_med", "p_lat", "d_med", "d_lat")] for b in bones])


def axis_directions(points: Tensor, indices: Tensor) -> Tensor:
    """Unit directions (B, X, 2) of the axes through the midpoints of the cortices."""
    p = points[:, indices]
    way = p[:, :, 2:].mean(2) - p[:, :, :2].mean(2)
    length: Tensor = torch.linalg.vector_norm(way, dim=-1, keepdim=True)
    return way / length.clamp_min(1e-3)


def landmark_loss(prediction: LandmarkPrediction, batch: LandmarkBatch) -> tuple[Tensor, dict[str, Tensor]]:
    """Sum of the losses of the landmark network, and each by name.

    map: cross entropy of the softmax map to a Gaussian at the truth; place: distance in cells; axis: sine between
    predicted and true shaft axes; doubt: negative log likelihood of the predicted covariance, which does not move
    the points; found: whether a landmark is visible and within reach; view: what the crop shows.
    """
    b, count, rows, columns = prediction.maps.shape
    device = prediction.maps.device
    x, y = cell_centres(rows, columns, device)
    weight = batch.visible.float() * (batch.view == VIEWS.index("dp")).float()[:, None].clamp_min(0.3)
    total = weight.sum().clamp_min(1)

    spread = TARGET_SPREAD * STRIDE
    gx = torch.exp(-0.5 * ((x - batch.points[..., :1]) / spread) ** 2)
    gy = torch.exp(-0.5 * ((y - batch.points[..., 1:]) / spread) ** 2)
    gx, gy = gx / gx.sum(-1, keepdim=True).clamp_min(1e-6), gy / gy.sum(-1, keepdim=True).clamp_min(1e-6)
    log_share = F.log_softmax(prediction.maps.flatten(2), dim=2).reshape(b, count, rows, columns)
    cross = -torch.einsum("blr,blrc,blc->bl", gy, log_share, gx)
    loss_map = (cross * weight).sum() / total

    gap = (prediction.points - batch.points).norm(dim=-1)
    near = weight * (gap.detach() < 6 * STRIDE)
    loss_place = (
        F.smooth_l1_loss(prediction.points, batch.points, reduction="none", beta=0.5).sum(-1) * near
    ).sum() / (near.sum().clamp_min(1) * STRIDE)

    indices = axis_indices().to(device)
    predicted, true = axis_directions(prediction.points, indices), axis_directions(batch.points, indices)
    sine = (predicted[..., 0] * true[..., 1] - predicted[..., 1] * true[..., 0]).abs()
    usable = near[:, indices].amin(-1)
    loss_axis = (sine.clamp(max=0.3) * usable).sum() / usable.sum().clamp_min(1)

    error = (prediction.points - batch.points).detach()
    l11, l21, l22 = prediction.spread.unbind(-1)
    z1 = error[..., 0] / l11
    z2 = (error[..., 1] - l21 * z1) / l22
    # Large errors of lost points must not drown the rest: a Student-like tail.
    square = z1**2 + z2**2
    nll = torch.log(l11) + torch.log(l22) + 3.0 * torch.log1p(square / 4.0)
    loss_doubt = (nll * near).sum() / near.sum().clamp_min(1)

    reached = batch.visible & (gap.detach() * batch.pixel_mm[:, None] < TOLERANCE_MM)
    found = F.binary_cross_entropy_with_logits(prediction.confidence, reached.float(), reduction="none").mean(1)
    loss_found = (found * batch.labelled).sum() / batch.labelled.sum().clamp_min(1)
    loss_view = F.cross_entropy(prediction.view, batch.view)

    parts = {
        "map": loss_map,
        "place": loss_place,
        "axis": 10.0 * loss_axis,
        "doubt": 0.15 * loss_doubt,
        "found": 0.3 * loss_found,
        "view": 0.3 * loss_view,
    }
    return torch.stack(list(parts.values())).sum(), {k: v.detach() for k, v in parts.items()}


def locator_loss(output: Tensor, target: dict[str, Tensor], anchors: int) -> tuple[Tensor, dict[str, Tensor]]:
    """Sum of the losses of the locator, and each by name.

    centre: penalty-reduced focal loss (Zhou and others 2019, "Objects as points"); anchors: distance in units at
    cells near a centre; side and view: cross entropies there.
    """
    logit, heat = output[:, 0], target["heat"]
    p = torch.sigmoid(logit)
    positive = (heat > 0.99).float()
    loss_pos = -F.logsigmoid(logit) * (1 - p) ** 2 * positive
    loss_neg = -F.logsigmoid(-logit) * p**2 * (1 - heat) ** 4 * (1 - positive)
    loss_centre = (loss_pos.sum() + loss_neg.sum()) / positive.sum().clamp_min(1)

    image, row, column = target["cell"].unbind(1)
    read = output[image, :, row, column]
    offsets = read[:, 1 : 1 + 2 * anchors].reshape(-1, anchors, 2)
    gap = F.smooth_l1_loss(offsets, target["offsets"], reduction="none", beta=0.1).sum(-1)
    loss_anchors = (gap * target["weight"]).sum() / target["weight"].sum().clamp_min(1)
    side = F.binary_cross_entropy_with_logits(read[:, 1 + 2 * anchors], target["left"], reduction="none")
    loss_side = (side * target["side_weight"]).sum() / target["side_weight"].sum().clamp_min(1)
    # Summed, then divided: the mean over no foot at all would be nan.
    views = F.cross_entropy(read[:, 2 + 2 * anchors :], target["view"], reduction="sum")
    loss_view = views / max(1, len(target["view"]))
    parts = {"centre": loss_centre, "anchors": 2.0 * loss_anchors, "side": loss_side, "view": 0.5 * loss_view}
    return torch.stack(list(parts.values())).sum(), {k: v.detach() for k, v in parts.items()}

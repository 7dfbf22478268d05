"""What the networks are trained to minimise."""

from __future__ import annotations

from functools import lru_cache

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import STRIDE, LandmarkPrediction, cell_centres
from raysplay.measure.axes import DISTAL_PHALANX
from raysplay.train.landmark_batch import LandmarkBatch

TARGET_SPREAD = 1.1
"""Spread of a target map in cells."""

TOLERANCE_MM = 2.5
"""A landmark counts as found within this distance of the truth."""

REACH = 6 * STRIDE
"""Points further off than this, in crop pixels, are lost: only the map loss brings them back."""

TAIL = 4.0
"""Degrees of freedom of the distribution of errors: heavy tails, so that a few lost points do not widen the rest."""

CHILD = 0.5
"""Weight of the landmarks of a foot with open growth plates, which is never measured."""


@lru_cache(maxsize=4)
def axis_indices(device: torch.device | None = None) -> Tensor:
    """Landmarks of each axis, shape (X, 4): proximal medial, proximal lateral, distal medial, distal lateral.

    The last phalanx of the great toe has a point at either end, which stands for both of its sides.
    """
    schema = landmark_schema()
    bones = [code[:-5] for code in schema.codes if code.endswith("p_med") and code[:-5] + "d_lat" in schema.codes]
    corners = [[schema.index(b + e) for e in ("p_med", "p_lat", "d_med", "d_lat")] for b in bones]
    base, tip = (schema.index(code) for code in DISTAL_PHALANX)
    corners.append([base, base, tip, tip])
    return torch.tensor(corners, device=device)


def axis_directions(points: Tensor, indices: Tensor) -> Tensor:
    """Unit directions (B, X, 2) of the axes through the midpoints of the cortices."""
    p = points[:, indices]
    way = p[:, :, 2:].mean(2) - p[:, :, :2].mean(2)
    length: Tensor = torch.linalg.vector_norm(way, dim=-1, keepdim=True)
    return way / length.clamp_min(1e-3)


def map_loss(maps: Tensor, points: Tensor, weight: Tensor) -> Tensor:
    """Cross entropy of the softmax of (B, L, r, c) maps to a Gaussian at (B, L, 2) points, mean over (B, L) weights.

    Parameters
    ----------
    maps : Tensor, shape (B, L, r, c)
        Logits, one cell a ``STRIDE`` pixels.
    points : Tensor, shape (B, L, 2)
        Pixels of the crop.
    weight : Tensor, shape (B, L)

    Returns
    -------
    Tensor, scalar
    """
    rows, columns = maps.shape[-2:]
    x, y = cell_centres(rows, columns, maps.device)
    spread = TARGET_SPREAD * STRIDE
    gx = torch.exp(-0.5 * ((x - points[..., :1]) / spread) ** 2)
    gy = torch.exp(-0.5 * ((y - points[..., 1:]) / spread) ** 2)
    gx, gy = gx / gx.sum(-1, keepdim=True).clamp_min(1e-6), gy / gy.sum(-1, keepdim=True).clamp_min(1e-6)
    log_share = F.log_softmax(maps.flatten(2), dim=2).reshape(maps.shape)
    cross = -torch.einsum("blr,blrc,blc->bl", gy, log_share, gx)
    return (cross * weight).sum() / weight.sum().clamp_min(1)


def place_loss(predicted: Tensor, points: Tensor, weight: Tensor) -> Tensor:
    """Distance of (B, L, 2) points in cells, mean over the weights of those within reach.

    Parameters
    ----------
    predicted, points : Tensor, shape (B, L, 2)
        Pixels of the crop.
    weight : Tensor, shape (B, L)

    Returns
    -------
    Tensor, scalar
    """
    near = weight * within_reach(predicted, points)
    gap = F.smooth_l1_loss(predicted, points, reduction="none", beta=0.5).sum(-1)
    return (gap * near).sum() / (near.sum().clamp_min(1) * STRIDE)


def within_reach(predicted: Tensor, points: Tensor) -> Tensor:
    """Whether predicted points (B, L, 2) lie within ``REACH`` of the true ones, (B, L)."""
    near: Tensor = (predicted - points).detach().norm(dim=-1) < REACH
    return near


def landmark_loss(prediction: LandmarkPrediction, batch: LandmarkBatch) -> tuple[Tensor, dict[str, Tensor]]:
    """Sum of the losses of the landmark network, and each by name.

    map: cross entropy of the softmax map to a Gaussian at the truth; place: distance in cells; axis: sine between
    predicted and true shaft axes; doubt: negative log likelihood of the predicted covariance, which does not move
    the points; found: whether a landmark is visible and within reach; view: what the crop shows; condition: what makes
    the foot unfit for measuring, where it is known, on dorsoplantar and oblique crops.

    The doubt is Student's distribution with ``TAIL`` degrees of freedom. Its scale matrix is the predicted covariance
    times (TAIL - 2) / TAIL: that of such a distribution whose covariance is L L^T. What the network predicts is so a
    covariance, tails included, and not the narrower scale of the bulk.
    """
    on_foot = (batch.view == VIEWS.index("dp")) | (batch.view == VIEWS.index("oblique"))
    importance = (batch.view == VIEWS.index("dp")).float().clamp_min(0.3)
    child = batch.conditions[:, CONDITIONS.index("growth_plates")] == 1
    weight = batch.visible.float() * (importance * torch.where(child, CHILD, 1.0))[:, None]
    near = weight * within_reach(prediction.points, batch.points)

    indices = axis_indices(prediction.points.device)
    predicted, true = axis_directions(prediction.points, indices), axis_directions(batch.points, indices)
    sine = (predicted[..., 0] * true[..., 1] - predicted[..., 1] * true[..., 0]).abs()
    usable = near[:, indices].amin(-1)
    loss_axis = (sine.clamp(max=0.3) * usable).sum() / usable.sum().clamp_min(1)

    error = (prediction.points - batch.points).detach()
    l11, l21, l22 = prediction.spread.unbind(-1)
    z1 = error[..., 0] / l11
    z2 = (error[..., 1] - l21 * z1) / l22
    nll = torch.log(l11) + torch.log(l22) + (TAIL + 2) / 2 * torch.log1p((z1**2 + z2**2) / (TAIL - 2))
    loss_doubt = (nll * near).sum() / near.sum().clamp_min(1)

    reached = batch.visible & (error.norm(dim=-1) * batch.pixel_mm[:, None] < TOLERANCE_MM)
    found = F.binary_cross_entropy_with_logits(prediction.confidence, reached.float(), reduction="none")
    loss_found = (found * batch.labelled).sum() / batch.labelled.sum().clamp_min(1)
    loss_view = F.cross_entropy(prediction.view, batch.view)

    known = on_foot[:, None] & ~batch.conditions.isnan()
    condition = F.binary_cross_entropy_with_logits(
        prediction.conditions, batch.conditions.nan_to_num(), reduction="none"
    )
    loss_condition = (condition * known).sum() / known.sum().clamp_min(1)

    parts = {
        "map": map_loss(prediction.maps, batch.points, weight),
        "place": place_loss(prediction.points, batch.points, weight),
        "axis": 10.0 * loss_axis,
        "doubt": 0.15 * loss_doubt,
        "found": 0.3 * loss_found,
        "view": 0.3 * loss_view,
        "condition": 1.5 * loss_condition,
    }
    return torch.stack(list(parts.values())).sum(), {k: v.detach() for k, v in parts.items()}


def locator_loss(output: Tensor, target: dict[str, Tensor], anchors: int) -> tuple[Tensor, dict[str, Tensor]]:
    """Sum of the losses of the locator, and each by name.

    centre: penalty-reduced focal loss (Zhou and others 2019, "Objects as points"); anchors: distance in units at
    cells near a centre; side and view: cross entropies there.

    Parameters
    ----------
    output : Tensor, shape (B, 1 + 2 A + 1 + V, r, c)
        Maps of the locator.
    target : dict of str to Tensor
        From ``locator_batch``.
    anchors : int
        A.

    Returns
    -------
    loss : Tensor, scalar
    parts : dict of str to Tensor
        Detached.
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

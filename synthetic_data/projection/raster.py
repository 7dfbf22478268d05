"""Path lengths through closed surfaces by summing where rays enter and leave.

Every triangle adds the depth of its plane to the pixels whose centre it covers, positive where the ray leaves
and negative where it enters. Depths are summed as integers, so the order of summation, and with it the number of
threads or the device, does not change a result.
"""

from __future__ import annotations

import torch
from torch import Tensor

DEPTH_STEP = 2.0**-12
"""Resolution of the summed depth in mm."""

MAX_CANDIDATES = {"cpu": 6_000_000, "cuda": 60_000_000}
"""Triangle-pixel pairs looked at in one go: bounds the memory."""


def path_lengths(
    corners: Tensor,
    closeness: Tensor,
    target: Tensor,
    weight: Tensor,
    size: tuple[int, int, int],
) -> Tensor:
    """Sum of signed depths of triangles on a stack of images.

    Parameters
    ----------
    corners : Tensor, shape (T, 3, 2)
        Column and row of each corner in pixels, pixel centres at integers. A triangle facing the focal spot runs
        clockwise as drawn (rows downward), one facing away counter-clockwise.
    closeness : Tensor, shape (T, 3)
        Magnification of each corner (see ``project``).
    target : Tensor of int, shape (T,)
        Image of the stack that each triangle adds to.
    weight : Tensor, shape (T,)
        Focus-to-detector distance in mm, times the relative density of the body that the triangle bounds.
    size : (images, rows, columns)

    Returns
    -------
    Tensor, shape (images, rows, columns)
        Path length along the vertical through the focus-detector distance; multiply by the obliquity of each ray
        (ray length over distance) for the path along the ray. Zero outside the surfaces.
    """
    images, rows, columns = size
    total = torch.zeros(images * rows * columns, dtype=torch.int32, device=corners.device)
    low = torch.ceil(corners.amin(1)).clamp_min(0)
    high = torch.floor(corners.amax(1))
    high = torch.minimum(high, torch.tensor([columns - 1, rows - 1], device=corners.device, dtype=high.dtype))
    span = (high - low + 1).to(torch.int64)
    a, b, c = corners.unbind(1)
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    seen = (span > 0).all(1) & (area.abs() > 1e-9)
    # Triangles are grouped by the power of two that holds their extent, so that a group shares one pixel grid.
    power = torch.ceil(torch.log2(span.clamp_min(1).to(torch.float32))).to(torch.int64)
    group = torch.where(seen, power[:, 0] * 32 + power[:, 1], -1)
    for key in torch.unique(group[seen]).tolist():
        wide, tall = 1 << (key // 32), 1 << (key % 32)
        index = torch.nonzero(group == key).squeeze(1)
        for part in torch.split(index, max(1, MAX_CANDIDATES[corners.device.type] // (wide * tall))):
            _add(part, wide, tall, corners, closeness, area, low, high, target, weight, total, rows, columns)
    return total.reshape(images, rows, columns).to(torch.float32) * DEPTH_STEP


def _add(
    part: Tensor,
    wide: int,
    tall: int,
    corners: Tensor,
    closeness: Tensor,
    area: Tensor,
    low: Tensor,
    high: Tensor,
    target: Tensor,
    weight: Tensor,
    total: Tensor,
    rows: int,
    columns: int,
) -> None:
    cell = torch.arange(wide * tall, device=corners.device)
    x = low[part, 0:1] + (cell % wide).to(corners.dtype)
    y = low[part, 1:2] + (cell // wide).to(corners.dtype)
    inside = (x <= high[part, 0:1]) & (y <= high[part, 1:2])
    corner = corners[part]
    edges = []
    for k in range(3):
        # Two triangles that share an edge must agree which of them owns a pixel centre on it: the edge function
        # is always evaluated from the same end, and only its sign differs between the two.
        p, q = corner[:, (k + 1) % 3], corner[:, (k + 2) % 3]
        swap = (p[:, 0] > q[:, 0]) | ((p[:, 0] == q[:, 0]) & (p[:, 1] > q[:, 1]))
        first, second = torch.where(swap[:, None], q, p), torch.where(swap[:, None], p, q)
        step = second - first
        value = step[:, 0:1] * (y - first[:, 1:2]) - step[:, 1:2] * (x - first[:, 0:1])
        flip = swap ^ (area[part] < 0)
        inside &= torch.where(flip[:, None], value < 0, value >= 0)
        edges.append(value * torch.where(swap, -1.0, 1.0)[:, None])
    where = torch.nonzero(inside)
    tri, at = where.unbind(1)
    row = part[tri]
    share = torch.stack([w[tri, at] for w in edges], dim=1)
    share = (share / share.sum(1, keepdim=True)).clamp(0, 1)
    near = (share * closeness[row]).sum(1)
    depth = weight[row] * (1.0 / near - 1.0)
    sign = torch.where(area[row] > 0, -1.0, 1.0)
    pixel = (target[row] * rows + y[tri, at].to(torch.int64)) * columns + x[tri, at].to(torch.int64)
    total.index_add_(0, pixel, torch.round(depth * sign / DEPTH_STEP).to(torch.int32))

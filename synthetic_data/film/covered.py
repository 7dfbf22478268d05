"""Whether another foot lies over a foot's bones."""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

COVERED_SHARE = 0.2
"""A foot counts as covered where bones of others lie over this share of its landmarks."""

_BONE_MM = 1.0
"""Path through bone that hides what lies over or under it."""


def covered_share(bone: Tensor, points: Tensor, counted: Tensor) -> Tensor:
    """Share (B,) of the counted landmarks (B, L) at ``points`` (B, L, 2) that lie under ``bone`` (B, R, C) in mm.

    Parameters
    ----------
    bone : Tensor, shape (B, R, C)
        Path lengths through another foot's bone, mm.
    points : Tensor, shape (B, L, 2)
        Pixels; ``nan`` counts as (0, 0).
    counted : Tensor of bool, shape (B, L)
        Which of them count.

    Returns
    -------
    Tensor, shape (B,)
        0 to 1; 0 where none counts.
    """
    rows, columns = bone.shape[-2:]
    extent = torch.tensor([columns, rows], dtype=torch.float32).to(points.device, non_blocking=True)
    grid = (2 * points.nan_to_num() + 1) / extent - 1
    there = F.grid_sample(bone[:, None], grid[:, None].to(bone.dtype), align_corners=False)[:, 0, 0] > _BONE_MM
    return (there & counted).sum(1) / counted.sum(1).clamp_min(1)


def covered_feet(bones: Tensor, points: Tensor) -> list[bool]:
    """Which feet of one exposure have others over them, from the path through each one's bones (B, R, C)."""
    if len(bones) < 2:
        return [False] * len(bones)
    others = bones.sum(0, keepdim=True) - bones
    share = covered_share(others, points, torch.ones_like(points[..., 0], dtype=torch.bool))
    return [bool(s >= COVERED_SHARE) for s in share]

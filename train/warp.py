"""Resampling of batches of pictures, for training; a single picture is cut by :mod:`raysplay.infer.warp`."""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor


def warp(images: Tensor, source_from_target: Tensor, size: tuple[int, int], fill: str = "border") -> Tensor:
    """Resample pictures.

    Parameters
    ----------
    images : Tensor, shape (B, C, R, K)
    source_from_target : Tensor, shape (B, 3, 3)
        Maps from target pixels to source pixels, affine or projective.
    size : (rows, columns) of the target
    fill : {'border', 'zeros'}
        What lies beyond the picture.

    Returns
    -------
    Tensor, shape (B, C, rows, columns)
    """
    rows, columns = size
    device, dtype = images.device, images.dtype
    y, x = torch.meshgrid(
        torch.arange(rows, device=device, dtype=torch.float32),
        torch.arange(columns, device=device, dtype=torch.float32),
        indexing="ij",
    )
    target = torch.stack([x, y, torch.ones_like(x)], dim=-1).reshape(1, -1, 3)
    place = target @ source_from_target.to(torch.float32).transpose(1, 2)
    place = (place[..., :2] / place[..., 2:]).reshape(len(images), rows, columns, 2)
    extent = torch.tensor([images.shape[-1], images.shape[-2]], device=device, dtype=torch.float32)
    grid = (2 * place + 1) / extent - 1
    return F.grid_sample(images, grid.to(dtype), mode="bilinear", padding_mode=fill, align_corners=False)

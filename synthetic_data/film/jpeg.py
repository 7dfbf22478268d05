"""Lossy compression of grey films as JPEG does it: quantised cosine transforms of blocks of 8 x 8 pixels."""

from __future__ import annotations

import math
from functools import lru_cache

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

BLOCK = 8

_LUMINANCE = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
"""Table K.1 of ITU-T T.81, for luminance."""


@lru_cache(maxsize=4)
def _constants(device: torch.device) -> tuple[Tensor, Tensor]:
    """The cosine transform of T.81 A.3.3 as an orthogonal matrix, and the table of steps."""
    k = torch.arange(BLOCK, dtype=torch.float32)
    matrix = torch.cos((2 * k + 1) * k[:, None] * math.pi / (2 * BLOCK)) * math.sqrt(2 / BLOCK)
    matrix[0] /= math.sqrt(2)
    return matrix.to(device), torch.tensor(_LUMINANCE, dtype=torch.float32).to(device)


def quantisation(quality: Tensor) -> Tensor:
    """Steps (B, 8, 8) at ``quality`` (B,) of 1..100, scaled as the library of the Independent JPEG Group does."""
    _, table = _constants(quality.device)
    scale = torch.where(quality < 50, 5000 / quality, 200 - 2 * quality)[:, None, None]
    return ((table * scale + 50) / 100).floor().clamp(1, 255)


def compress(images: Tensor, quality: Tensor) -> Tensor:
    """Films (B, R, C) of 0..1 as they are after compression at ``quality`` (B,) with 8 bits."""
    matrix, _ = _constants(images.device)
    rows, columns = images.shape[-2:]
    levels = (images.clamp(0, 1) * 255).round() - 128
    padded = F.pad(levels[:, None], (0, -columns % BLOCK, 0, -rows % BLOCK), mode="replicate")[:, 0]
    high, wide = padded.shape[1] // BLOCK, padded.shape[2] // BLOCK
    blocks = padded.reshape(-1, high, BLOCK, wide, BLOCK).transpose(2, 3)
    steps = quantisation(quality.to(images.device))[:, None, None]
    kept = torch.round(matrix @ blocks @ matrix.T / steps) * steps
    blocks = matrix.T @ kept @ matrix
    joined = blocks.transpose(2, 3).reshape(padded.shape)[:, :rows, :columns]
    return ((joined + 128).round() / 255).clamp(0, 1)

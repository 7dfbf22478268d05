"""What a network sees of a picture: grey values by rank, and local contrast, both free of exposure and window."""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

CHANNELS = 2
LOCAL = 31
"""Side of the square, in pixels, over which local contrast is taken."""


def normalise(images: Tensor) -> Tensor:
    """Grey values by rank and by their surroundings, free of exposure and window.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)

    Returns
    -------
    Tensor, shape (B, 2, R, C)
        The 2nd to 98th percentile mapped to -1 to 1 (cut at -1.6 and 1.6); z-scores over squares of ``LOCAL`` pixels,
        cut at -3 and 3.
    """
    flat = images.flatten(1)[:, ::7]
    low = torch.quantile(flat, 0.02, dim=1)[:, None, None]
    high = torch.quantile(flat, 0.98, dim=1)[:, None, None]
    span = (high - low).clamp_min(0.02)
    overall = ((images - low) / span).clamp(-0.3, 1.3) * 2 - 1
    pad = LOCAL // 2
    wide = F.pad(images[:, None], (pad, pad, pad, pad), mode="replicate")
    mean, square = _box(wide), _box(wide * wide)
    spread = (square - mean * mean).clamp_min(0).sqrt() + 0.03 * span[:, None]
    local = ((images[:, None] - mean) / spread).clamp(-3, 3)
    return torch.cat([overall[:, None], local], dim=1)


def _box(images: Tensor) -> Tensor:
    """Mean over squares of side ``LOCAL``, one direction after the other."""
    return F.avg_pool2d(F.avg_pool2d(images, (LOCAL, 1), 1), (1, LOCAL), 1)

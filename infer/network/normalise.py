"""What a network sees of a picture: grey values by rank, and local contrast, both free of exposure and window."""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

CHANNELS = 2
LOCAL = 31
"""Side of the square, in pixels, over which local contrast is taken."""

_SHARE = 0.02
_EACH = 7
"""Percentiles are those of every so many pixels."""


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
    flat = images.flatten(1)[:, ::_EACH]
    low = _quantile(-flat, 1 - _SHARE).neg()[:, None, None]
    high = _quantile(flat, 1 - _SHARE)[:, None, None]
    span = (high - low).clamp_min(0.02)
    overall = ((images - low) / span).clamp(-0.3, 1.3) * 2 - 1
    pad = LOCAL // 2
    wide = F.pad(images[:, None], (pad, pad, pad, pad), mode="replicate")
    mean, square = _box(wide), _box(wide * wide)
    spread = (square - mean * mean).clamp_min(0).sqrt() + 0.03 * span[:, None]
    local = ((images[:, None] - mean) / spread).clamp(-3, 3)
    return torch.cat([overall[:, None], local], dim=1)


def _quantile(values: Tensor, share: float) -> Tensor:
    """Quantile of each row near its upper end, between neighbours as they lie (Hyndman and Fan 1996, type 7).

    Of a few hundred largest values, where sorting all would cost more than the rest of the function.
    """
    place = share * (values.shape[1] - 1)
    below = int(place)
    top = values.topk(values.shape[1] - below, dim=1).values
    return top[:, -1].lerp(top[:, -2], place - below) if below < place else top[:, -1]


def _box(images: Tensor) -> Tensor:
    """Mean over squares of side ``LOCAL``, one direction after the other."""
    return _sums(_sums(images, 2), 3) / LOCAL**2


def _sums(images: Tensor, dim: int) -> Tensor:
    """Sums over ``LOCAL`` neighbours along an axis, put together from sums over 1, 2, 4, ... of them.

    No more than two additions for every doubling; pooling would make ``LOCAL``.
    """
    length = images.shape[dim] - LOCAL + 1
    pieces, part, width = [], images, 1
    while width <= LOCAL:
        if LOCAL & width:
            pieces.append(part.narrow(dim, LOCAL & (width - 1), length))
        inner = part.shape[dim] - width
        if 2 * width <= LOCAL:
            part = part.narrow(dim, 0, inner) + part.narrow(dim, width, inner)
        width *= 2
    total = pieces[0]
    for piece in pieces[1:]:
        total = total + piece
    return total

"""Distance from marked cells of a picture."""

from __future__ import annotations

import torch
from torch import Tensor


def distance_to(mask: Tensor) -> Tensor:
    """Distance (B, R, C) in cells from each cell's centre to the nearest cell that is True in ``mask``.

    Exact; a picture without a True cell is far (more than its sides) from everything.
    """
    rows, columns = mask.shape[-2:]
    far = float(4 * (rows + columns) ** 2)
    y = torch.arange(rows, device=mask.device, dtype=torch.float32)
    x = torch.arange(columns, device=mask.device, dtype=torch.float32)
    off = torch.where(mask, 0.0, far)
    down = (off[:, None] + ((y[:, None] - y) ** 2)[None, :, :, None]).amin(2)
    return torch.sqrt((down[:, :, None] + ((x[:, None] - x) ** 2)[None, None]).amin(3))

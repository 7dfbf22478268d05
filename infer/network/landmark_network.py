"""The landmark network: an upright crop of one foot in, a probability map for each landmark out."""

from __future__ import annotations

from dataclasses import dataclass

import torch
import torch.nn as nn
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.network.normalise import normalise
from raysplay.infer.network.trunk import Context, Trunk, convolution

STRIDE = 4
"""Crop pixels per cell of a map."""

WINDOW = 4
"""Cells either side of the peak over which a position is averaged."""


@dataclass(frozen=True)
class LandmarkPrediction:
    """What the network says of B crops.

    ``points`` (B, L, 2) crop pixels; ``spread`` (B, L, 3) lower Cholesky factor l11, l21, l22 of the covariance
    in crop pixels; ``confidence`` (B, L) logits; ``view`` (B, 4) logits; ``conditions`` (B, K) logits;
    ``strangeness`` (B,) squared Mahalanobis distance of the picture's features from those of training films, divided
    by their number (about 1 for a film like them; 0 where the weights carry no such statistics); ``maps``
    (B, L, r, c) logits.
    """

    points: Tensor
    spread: Tensor
    confidence: Tensor
    view: Tensor
    conditions: Tensor
    strangeness: Tensor
    maps: Tensor


class LandmarkNetwork(nn.Module):
    """Residual trunk, wide context, two upward steps, heads at stride 4.

    Parameters
    ----------
    landmarks : int
        Number of landmarks.
    blocks : int
        Basic blocks in each trunk stage.
    """

    usual: Tensor
    whiten: Tensor

    def __init__(self, landmarks: int, blocks: int = 2) -> None:
        super().__init__()
        self.landmarks = landmarks
        self.trunk = Trunk(blocks)
        w4, w8, w16 = Trunk.widths
        self.context = Context(w16)
        self.up8 = nn.ModuleList([convolution(w16, w8, 1), convolution(w8, w8), convolution(w8, w8)])
        self.up4 = nn.ModuleList([convolution(w8, w4, 1), convolution(w4, 96), convolution(96, 96)])
        self.maps = nn.Conv2d(96, landmarks, 1)
        self.doubt = nn.Sequential(convolution(96, 64), nn.Conv2d(64, 4 * landmarks, 1))
        self.view = nn.Sequential(nn.Linear(w16, 64), nn.ReLU(inplace=True), nn.Linear(64, len(VIEWS)))
        self.conditions = nn.Sequential(nn.Linear(2 * w16, 64), nn.ReLU(inplace=True), nn.Linear(64, len(CONDITIONS)))
        # Filled after training, from the features of training films (``train/familiarity.py``).
        self.register_buffer("usual", torch.zeros(w16))
        self.register_buffer("whiten", torch.zeros(w16, w16))

    def forward(self, images: Tensor) -> LandmarkPrediction:
        """Predict from grey crops.

        Parameters
        ----------
        images : Tensor, shape (B, R, C)
            0 to 1, bone bright; R and C are multiples of 16.

        Returns
        -------
        LandmarkPrediction
            Points and spreads in pixels of the crop; confidence, view and conditions as logits.
        """
        f4, f8, f16 = self.trunk(normalise(images))
        f16 = self.context(f16)
        x = F.interpolate(self.up8[0](f16), scale_factor=2, mode="bilinear", align_corners=False)
        x = self.up8[2](self.up8[1](x + f8))
        x = F.interpolate(self.up4[0](x), scale_factor=2, mode="bilinear", align_corners=False)
        x = self.up4[2](self.up4[1](x + f4))
        maps = self.maps(x).float()
        points = decode(maps)
        doubt = sample(self.doubt(x).float(), points.detach(), self.landmarks)
        mean = f16.mean((2, 3))
        conditions = self.conditions(torch.cat([mean, f16.amax((2, 3))], dim=1)).float()
        strangeness = (((mean.float() - self.usual) @ self.whiten) ** 2).mean(1)
        return LandmarkPrediction(
            points, doubt[..., :3], doubt[..., 3], self.view(mean).float(), conditions, strangeness, maps
        )


def cell_centres(rows: int, columns: int, device: torch.device) -> tuple[Tensor, Tensor]:
    """Crop coordinates of map columns and rows: a cell covers ``STRIDE`` pixels, whose middle it stands for.

    Parameters
    ----------
    rows, columns : int
        Cells of the map.
    device : torch.device
        Where the coordinates are to lie.

    Returns
    -------
    x : Tensor, shape (columns,)
    y : Tensor, shape (rows,)
        Pixels of the crop, centres at integers.
    """
    middle = (STRIDE - 1) / 2
    return (
        torch.arange(columns, device=device) * STRIDE + middle,
        torch.arange(rows, device=device) * STRIDE + middle,
    )


def decode(maps: Tensor) -> Tensor:
    """Sub-pixel positions: the mean of the softmax within a window round its peak.

    Parameters
    ----------
    maps : Tensor, shape (B, L, r, c)
        Logits.

    Returns
    -------
    Tensor, shape (B, L, 2)
        x and y in crop pixels, differentiable.
    """
    rows, columns = maps.shape[-2:]
    peak = maps.detach().flatten(2).argmax(2)
    peak_y, peak_x = peak // columns, peak % columns
    offset = torch.arange(-WINDOW, WINDOW + 1, device=maps.device)
    y = peak_y[..., None] + offset
    x = peak_x[..., None] + offset
    inside = ((y >= 0) & (y < rows))[..., :, None] & ((x >= 0) & (x < columns))[..., None, :]
    index = y.clamp(0, rows - 1)[..., :, None] * columns + x.clamp(0, columns - 1)[..., None, :]
    window = maps.flatten(2).gather(2, index.flatten(2)).reshape(index.shape)
    window = window.masked_fill(~inside, -1e4)
    share = torch.softmax(window.flatten(2), dim=2).reshape(index.shape)
    middle = (STRIDE - 1) / 2
    at_x = (share.sum(2) * x).sum(2) * STRIDE + middle
    at_y = (share.sum(3) * y).sum(2) * STRIDE + middle
    return torch.stack([at_x, at_y], dim=-1)


def sample(field: Tensor, points: Tensor, landmarks: int) -> Tensor:
    """Read each landmark's own four channels where the landmark lies.

    Parameters
    ----------
    field : Tensor, shape (B, 4 L, r, c)
    points : Tensor, shape (B, L, 2)
        Pixels of the crop.
    landmarks : int
        L.

    Returns
    -------
    Tensor, shape (B, L, 4)
    """
    batch, _, rows, columns = field.shape
    extent = torch.tensor([columns * STRIDE, rows * STRIDE], device=field.device)
    grid = ((2 * points + 1) / extent - 1).reshape(batch * landmarks, 1, 1, 2)
    own = field.reshape(batch * landmarks, 4, rows, columns)
    read = F.grid_sample(own, grid, mode="bilinear", padding_mode="border", align_corners=False)
    raw = read.reshape(batch, landmarks, 4)
    # Softplus keeps the diagonal of the factor positive; a floor of a tenth of a pixel keeps it invertible.
    l11, l22 = F.softplus(raw[..., 0]) + 0.1, F.softplus(raw[..., 2]) + 0.1
    return torch.stack([l11, raw[..., 1], l22, raw[..., 3]], dim=-1)

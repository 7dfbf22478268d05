"""A landmark network of a fifth of the arithmetic, trained beside truth on what the careful one says."""

from __future__ import annotations

import torch
import torch.nn as nn
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import STRIDE, LandmarkPrediction, decode
from raysplay.infer.network.normalise import normalise
from raysplay.infer.network.separable import WIDENING, LeanTrunk, Separable
from raysplay.infer.network.trunk import Context, convolution

WIDTHS = (40, 88, 184)
BLOCKS = (2, 3, 4)
JOINED = 56
"""Channels in which the features of all strides meet."""


class LeanLandmarkNetwork(nn.Module):
    """Separable trunk, wide context, two upward steps, maps at stride 4.

    Doubt is not a map: it is told from the features at each point, by weights of that landmark.

    Parameters
    ----------
    landmarks : int
        Number of landmarks.
    """

    usual: Tensor
    whiten: Tensor

    def __init__(self, landmarks: int) -> None:
        super().__init__()
        self.landmarks = landmarks
        w4, w8, w16 = WIDTHS
        self.trunk = LeanTrunk(WIDTHS, BLOCKS)
        self.context = Context(w16)
        self.up8 = nn.ModuleList([convolution(w16, w8, 1), Separable(w8)])
        self.up4 = nn.ModuleList([convolution(w8, JOINED, 1), convolution(w4, JOINED, 1)])
        # As wide as a block is inside: fewer channels than landmarks would tie their maps together.
        last = WIDENING * JOINED
        self.last = nn.Sequential(
            nn.Conv2d(JOINED, JOINED, 5, padding=2, groups=JOINED, bias=False),
            nn.BatchNorm2d(JOINED),
            convolution(JOINED, last, 1),
        )
        self.maps = nn.Conv2d(last, landmarks, 1)
        self.at_point = nn.Sequential(nn.Linear(last + w8, 64), nn.ReLU(inplace=True))
        self.doubt = nn.Parameter(torch.randn(landmarks, 64, 4) / 8)
        self.doubt_bias = nn.Parameter(torch.zeros(landmarks, 4))
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
        x8 = F.interpolate(self.up8[0](f16), scale_factor=2, mode="bilinear", align_corners=False)
        x8 = self.up8[1](x8 + f8)
        x4 = F.interpolate(self.up4[0](x8), scale_factor=2, mode="bilinear", align_corners=False)
        x4 = self.last(x4 + self.up4[1](f4))
        maps = self.maps(x4).float()
        points = decode(maps)
        doubt = self._doubt(x4, x8, points.detach())
        mean = f16.mean((2, 3))
        conditions = self.conditions(torch.cat([mean, f16.amax((2, 3))], dim=1)).float()
        strangeness = (((mean.float() - self.usual) @ self.whiten) ** 2).mean(1)
        return LandmarkPrediction(
            points, doubt[..., :3], doubt[..., 3], self.view(mean).float(), conditions, strangeness, maps
        )

    def _doubt(self, x4: Tensor, x8: Tensor, points: Tensor) -> Tensor:
        """Factor of the covariance and confidence (B, L, 4) at points (B, L, 2)."""
        rows, columns = x4.shape[-2:]
        extent = torch.tensor([columns * STRIDE, rows * STRIDE], device=points.device)
        grid = ((2 * points + 1) / extent - 1)[:, None]
        seen = [
            F.grid_sample(x.float(), grid, mode="bilinear", padding_mode="border", align_corners=False)[:, :, 0]
            for x in (x4, x8)
        ]
        hidden = self.at_point(torch.cat(seen, dim=1).transpose(1, 2)).float()
        raw = torch.einsum("blh,lhk->blk", hidden, self.doubt.float()) + self.doubt_bias
        # As in the careful network: a positive diagonal, and a floor that keeps the factor invertible.
        l11, l22 = F.softplus(raw[..., 0]) + 0.1, F.softplus(raw[..., 2]) + 0.1
        return torch.stack([l11, raw[..., 1], l22, raw[..., 3]], dim=-1)

"""The locator network: a whole film, small, in; for every foot its centre, a few anchors, side and view out."""

from __future__ import annotations

import torch
import torch.nn as nn
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.configs.views import VIEWS
from raysplay.infer.network.normalise import normalise
from raysplay.infer.network.trunk import Context, Trunk, convolution

STRIDE = 8
"""Pixels of the small film per cell."""


class LocatorNetwork(nn.Module):
    """Residual trunk, wide context, one upward step.

    Output channels of the (B, 1 + 2 A + 1 + 4, r, c) map: logit of a foot's centre; x and y of each anchor
    relative to the cell, in units; logit of a left foot; logits of the views.
    """

    def __init__(self, anchors: int, blocks: int = 1) -> None:
        super().__init__()
        self.anchors = anchors
        self.trunk = Trunk(blocks)
        _, w8, w16 = Trunk.widths
        self.context = nn.Sequential(Context(w16), Context(w16))
        self.up = convolution(w16, w8, 1)
        self.mix = nn.Sequential(convolution(w8, w8), convolution(w8, w8))
        self.head = nn.Conv2d(w8, 1 + 2 * anchors + 1 + len(VIEWS), 1)
        bias = torch.zeros(self.head.out_channels)
        bias[0] = -4.0
        self.head.bias = nn.Parameter(bias)

    def forward(self, images: Tensor) -> Tensor:
        """Map of small films.

        Parameters
        ----------
        images : Tensor, shape (B, R, C)
            As the landmark network takes crops.

        Returns
        -------
        Tensor, shape (B, 1 + 2 A + 1 + 4, R / STRIDE, C / STRIDE)
            Channels as the class has them.
        """
        _, f8, f16 = self.trunk(normalise(images))
        f16 = self.context(f16)
        x = F.interpolate(self.up(f16), scale_factor=2, mode="bilinear", align_corners=False) + f8
        maps: Tensor = self.head(self.mix(x))
        return maps.float()

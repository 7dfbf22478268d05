"""A locator of a fifth of the arithmetic."""

from __future__ import annotations

import torch
import torch.nn as nn
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.configs.views import VIEWS
from raysplay.infer.network.normalise import normalise
from raysplay.infer.network.separable import LeanTrunk, Separable
from raysplay.infer.network.trunk import Context, convolution

WIDTHS = (24, 56, 128)
BLOCKS = (1, 2, 3)


class LeanLocatorNetwork(nn.Module):
    """Separable trunk, wide context, one upward step; the map of :class:`LocatorNetwork`.

    Parameters
    ----------
    anchors : int
        Number of anchors.
    """

    def __init__(self, anchors: int) -> None:
        super().__init__()
        self.anchors = anchors
        _, w8, w16 = WIDTHS
        self.trunk = LeanTrunk(WIDTHS, BLOCKS)
        self.context = nn.Sequential(Context(w16), Context(w16))
        self.up = convolution(w16, w8, 1)
        self.mix = Separable(w8)
        self.head = nn.Conv2d(w8, 1 + 2 * anchors + 1 + len(VIEWS), 1)
        bias = torch.zeros(self.head.out_channels)
        bias[0] = -4.0
        self.head.bias = nn.Parameter(bias)

    def forward(self, images: Tensor) -> Tensor:
        """Map of small films.

        Parameters
        ----------
        images : Tensor, shape (B, R, C)
            0 to 1, bone bright; R and C are multiples of 16.

        Returns
        -------
        Tensor, shape (B, 1 + 2 A + 1 + 4, R / STRIDE, C / STRIDE)
            Channels as :class:`LocatorNetwork` has them.
        """
        _, f8, f16 = self.trunk(normalise(images))
        f16 = self.context(f16)
        x = F.interpolate(self.up(f16), scale_factor=2, mode="bilinear", align_corners=False) + f8
        maps: Tensor = self.head(self.mix(x))
        return maps.float()

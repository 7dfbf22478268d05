"""Blocks that mix places and channels apart: a wide convolution a channel, then products over channels alone."""

from __future__ import annotations

import torch.nn as nn
from torch import Tensor

from raysplay.infer.network.normalise import CHANNELS
from raysplay.infer.network.trunk import convolution

WIDENING = 3
"""How many times wider a block is inside than its input."""


class Separable(nn.Module):
    """Depthwise convolution, widening, rectifier, narrowing; added to the input.

    The order of Liu and others 2022, "A ConvNet for the 2020s", with batch normalisation, which costs nothing once it
    is folded into the convolutions.

    Parameters
    ----------
    width : int
        Channels in and out.
    kernel : int
        Side of the depthwise convolution, odd.
    """

    def __init__(self, width: int, kernel: int = 5) -> None:
        super().__init__()
        inside = WIDENING * width
        narrow = nn.BatchNorm2d(width)
        # A block that begins as the identity trains faster (Goyal and others 2017).
        nn.init.zeros_(narrow.weight)
        self.mix = nn.Sequential(
            nn.Conv2d(width, width, kernel, padding=kernel // 2, groups=width, bias=False),
            nn.BatchNorm2d(width),
            convolution(width, inside, 1),
            nn.Conv2d(inside, width, 1, bias=False),
            narrow,
        )

    def forward(self, x: Tensor) -> Tensor:
        """Features (B, ``width``, r, c) in, the same shape out."""
        mixed: Tensor = self.mix(x)
        return x + mixed


def halving(inputs: int, outputs: int) -> nn.Sequential:
    """Convolution that halves rows and columns, batch normalisation, rectifier."""
    return nn.Sequential(
        nn.Conv2d(inputs, outputs, 3, stride=2, padding=1, bias=False), nn.BatchNorm2d(outputs), nn.ReLU(inplace=True)
    )


class LeanTrunk(nn.Module):
    """Separable stages with strides 4, 8 and 16.

    Parameters
    ----------
    widths, blocks : tuple of 3 int
        Channels and blocks of each stage.
    """

    def __init__(self, widths: tuple[int, int, int], blocks: tuple[int, int, int]) -> None:
        super().__init__()
        w4, w8, w16 = widths
        self.stem = halving(CHANNELS, 24)
        self.stages = nn.ModuleList(
            nn.Sequential(halving(before, width), *(Separable(width) for _ in range(count)))
            for before, width, count in ((24, w4, blocks[0]), (w4, w8, blocks[1]), (w8, w16, blocks[2]))
        )

    def forward(self, x: Tensor) -> list[Tensor]:
        """Features of a picture (B, ``CHANNELS``, R, C) at strides 4, 8 and 16."""
        x = self.stem(x)
        features = []
        for stage in self.stages:
            x = stage(x)
            features.append(x)
        return features

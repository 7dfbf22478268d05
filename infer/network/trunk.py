"""The feature trunk: the first stages of a torchvision residual network, for two input channels."""

from __future__ import annotations

import torch
import torch.nn as nn
from torch import Tensor

from raysplay.infer.network.normalise import CHANNELS
from raysplay.infer.network.torchvision_operators import resnet


class Trunk(nn.Module):
    """Stages 1 to 3 of a residual network (He and others 2016) with strides 4, 8 and 16.

    Parameters
    ----------
    blocks : int
        Basic blocks in each stage.
    """

    widths = (64, 128, 256)

    def __init__(self, blocks: int) -> None:
        super().__init__()
        net = resnet.ResNet(resnet.BasicBlock, [blocks, blocks, blocks, 1])
        self.stem = nn.Sequential(
            nn.Conv2d(CHANNELS, 64, 7, stride=2, padding=3, bias=False), net.bn1, net.relu, net.maxpool
        )
        self.stages = nn.ModuleList([net.layer1, net.layer2, net.layer3])

    def forward(self, x: Tensor) -> list[Tensor]:
        """Features of a picture (B, ``CHANNELS``, R, C) at strides 4, 8 and 16, as wide as ``widths`` says."""
        x = self.stem(x)
        features = []
        for stage in self.stages:
            x = stage(x)
            features.append(x)
        return features


def convolution(inputs: int, outputs: int, kernel: int = 3, dilation: int = 1, groups: int = 1) -> nn.Sequential:
    """Convolution (square kernel, odd side) that keeps rows and columns, batch normalisation, rectifier."""
    return nn.Sequential(
        nn.Conv2d(
            inputs,
            outputs,
            kernel,
            padding=dilation * (kernel // 2),
            dilation=dilation,
            groups=groups,
            bias=False,
        ),
        nn.BatchNorm2d(outputs),
        nn.ReLU(inplace=True),
    )


class Context(nn.Module):
    """Wide view at stride 16: parallel dilated separable convolutions and the mean of the whole picture."""

    def __init__(self, width: int) -> None:
        super().__init__()
        half = width // 2
        self.reduce = convolution(width, half, 1)
        self.branches = nn.ModuleList(
            nn.Sequential(convolution(half, half, 5, d, groups=half), convolution(half, half, 1)) for d in (1, 2, 4)
        )
        self.whole = nn.Sequential(nn.Linear(half, half), nn.ReLU(inplace=True))
        self.merge = convolution(5 * half, width, 1)

    def forward(self, x: Tensor) -> Tensor:
        """Features (B, ``width``, r, c) in, the same shape out."""
        y = self.reduce(x)
        whole = self.whole(y.mean((2, 3)))[..., None, None].expand_as(y)
        seen: Tensor = self.merge(torch.cat([y, *(branch(y) for branch in self.branches), whole], dim=1))
        return x + seen

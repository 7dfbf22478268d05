"""The networks that weights can be for, as torch modules."""

from __future__ import annotations

from torch import nn

from raysplay.configs.load import landmark_schema
from raysplay.infer.network.graphs import LANDMARKS, LOCATOR
from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.lean_landmark_network import LeanLandmarkNetwork
from raysplay.infer.network.lean_locator_network import LeanLocatorNetwork
from raysplay.infer.network.locator_network import LocatorNetwork
from raysplay.infer.settings import ReadingSettings


def known_networks(settings: ReadingSettings) -> dict[str, tuple[str, nn.Module]]:
    """Every network with fresh weights, and what it reads, by the name of its graph.

    A new network needs a line here and then ``python -m raysplay.train.export_graph``; which one a weights file is for,
    its tensors tell.
    """
    return {
        "landmark_network": (LANDMARKS, LandmarkNetwork(len(landmark_schema()))),
        "lean_landmark_network": (LANDMARKS, LeanLandmarkNetwork(len(landmark_schema()))),
        "lean_locator_network": (LOCATOR, LeanLocatorNetwork(len(settings.anchors))),
        "locator_network": (LOCATOR, LocatorNetwork(len(settings.anchors))),
    }

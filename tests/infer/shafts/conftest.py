"""A shaft whose edges are known: a hollow, flared tube of bone in soft tissue, projected by its exact path length."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from raysplay.configs import landmark_schema
from raysplay.infer.films.film import Film, Spacing
from raysplay.infer.settings import ShaftEdgeSettings

SETTINGS = ShaftEdgeSettings(
    confidence_min=0.2,
    network_sd=1.0,
    search_factor=1.5,
    search_least=0.02,
    search_most=0.08,
    edge_sd=0.001,
    scatter_factor=0.6,
    softness_sd=0.14,
    pixel_sd=0.1,
    right=0.54,
    right_least=0.35,
    astray_sd=2.0,
    gross_error=3.0,
    gross_share=0.06,
)
"""Not the shipped ones: those follow the shipped weights."""

CORNERS = ("p_med", "p_lat", "d_med", "d_lat")


@dataclass
class Tube:
    """A tube along ``angle`` (degrees from up), its levels about the middle of the film; lengths in pixels."""

    radius: float = 40.0
    length: float = 150.0
    cortex: float = 0.22
    flare: float = 0.0
    angle: float = 12.0
    side: int = 480

    def frame(self):
        a = np.radians(self.angle)
        axis, across = np.array([np.sin(a), -np.cos(a)]), np.array([np.cos(a), np.sin(a)])
        return axis, across, np.full(2, (self.side - 1) / 2) - axis * self.length / 2

    def outer(self, level):
        return self.radius * (1 + self.flare * (level - 0.5) ** 2)

    def corners(self):
        """True outer cortices at both levels."""
        axis, across, start = self.frame()
        return np.array([start + k * self.length * axis + s * self.outer(k) * across for k in (0, 1) for s in (-1, 1)])

    def path(self):
        """Bone along the rays, in radii: the chord through a circle less that through the marrow."""
        axis, across, start = self.frame()
        y, x = np.mgrid[0 : self.side, 0 : self.side].astype(float)
        level = ((x - start[0]) * axis[0] + (y - start[1]) * axis[1]) / self.length
        off = (x - start[0]) * across[0] + (y - start[1]) * across[1]
        outer = self.outer(level)
        inner = outer - self.cortex * self.radius
        return 2 * (np.sqrt(np.clip(outer**2 - off**2, 0, None)) - np.sqrt(np.clip(inner**2 - off**2, 0, None)))

    def film(self, blur=1.0, noise=0.01, seed=0, aspect=1.0, extra=None):
        path = self.path() if extra is None else self.path() + extra
        grey = 0.25 + 0.6 * path / (2 * self.radius)
        grey = gaussian_filter(grey, blur) + np.random.default_rng(seed).normal(0, noise, path.shape)
        return Film(Path("tube"), grey.clip(0, 1).astype(np.float32), Spacing(aspect=aspect))


def landmarks_of(corners, sd, bone="M1"):
    """Landmarks of a foot of which only one bone is to be relied on; ``sd`` in pixels both ways."""
    schema = landmark_schema()
    count = len(schema)
    points, covariance = np.full((count, 2), 5.0), np.tile(np.eye(2), (count, 1, 1))
    confidence = np.zeros(count)
    index = [schema.index(bone + corner) for corner in CORNERS]
    points[index], covariance[index], confidence[index] = corners, sd**2 * np.eye(2), 0.9
    return points, covariance, confidence, index


@pytest.fixture
def tube():
    return Tube


@pytest.fixture
def landmarks():
    return landmarks_of


@pytest.fixture
def settings():
    return SETTINGS

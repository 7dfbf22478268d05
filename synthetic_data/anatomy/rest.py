"""The table of bones at rest (``bones.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from pydantic import Field
from scipy.interpolate import PchipInterpolator

from raysplay.configs.load import Config, load

STATIONS = 10
"""Measured sections of a bone, at 5 %, 15 % ... 95 % of its length."""

FINE = 65
"""Samples of a profile along the bone after interpolation, from base (0) to tip (1)."""


class Cap(Config):
    """How one end of a bone closes."""

    closing: float = Field(gt=1)
    length: float = Field(gt=0, lt=0.5)
    dish: float
    saddle: float
    tilt: float


class Bump(Config):
    """A tubercle, condyle or groove (negative height) of the surface."""

    at: float
    angle: float
    spread_at: float = Field(gt=0)
    spread_angle: float = Field(gt=0)
    height: float


class Cortex(Config):
    """Thickness of the cortical shell in mm at mid-shaft and at the ends."""

    middle: float = Field(gt=0)
    end: float = Field(gt=0)


Profile = tuple[float, float, float, float, float, float, float, float, float, float]


class Bone(Config):
    """One bone of the rest table; see the head of ``bones.yaml`` for the units."""

    length: float = Field(gt=0)
    base: tuple[float, float, float]
    axis: tuple[float, float, float]
    width_axis: tuple[float, float, float]
    width: Profile
    height: Profile
    mid_width: Profile
    mid_height: Profile
    wedge: tuple[float, float, float]
    squareness: tuple[float, float, float]
    proximal_cap: Cap
    distal_cap: Cap
    bumps: tuple[Bump, ...]
    cortex: Cortex


class _BoneFile(Config):
    bones: dict[str, Bone]


@lru_cache(maxsize=1)
def bones() -> dict[str, Bone]:
    """Every bone of the rest table by name, in file order."""
    return load(_BoneFile, Path(__file__).parent / "bones.yaml", aliases=True).bones


@lru_cache(maxsize=1)
def bone_names() -> tuple[str, ...]:
    """Names in file order: the bone axis of every array of the generator."""
    return tuple(bones())


def bone_index(name: str) -> int:
    """Place of a bone in the bone axis; ValueError if unknown."""
    return bone_names().index(name)


def fine_profile(stations: npt.ArrayLike) -> npt.NDArray[np.float32]:
    """Shape-preserving interpolation of station values to :data:`FINE` samples over 0..1.

    Beyond the outer stations the end value is kept: the cap closes the bone there.
    """
    values = np.asarray(stations, dtype=float)
    at = np.concatenate([[0.0], np.linspace(0.05, 0.95, STATIONS), [1.0]])
    padded = np.concatenate([values[..., :1], values, values[..., -1:]], axis=-1)
    fine: npt.NDArray[np.float32] = PchipInterpolator(at, padded, axis=-1)(np.linspace(0, 1, FINE)).astype(np.float32)
    return fine

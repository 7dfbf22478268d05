"""Checked form of ``configs/reading.yaml``."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from raysplay.configs.load import Config, load


class Anchor(Config):
    """A landmark that places the crop: its average position in the crop and its weight."""

    code: str
    x: float
    y: float
    weight: float


class ReadingSettings(Config):
    """How feet are found and cut out."""

    film_side: int
    crop_rows: int
    crop_columns: int
    anchors: tuple[Anchor, ...]
    score_min: float
    same_foot: float
    feet_max: int
    passes: int

    @property
    def crop_size(self) -> tuple[int, int]:
        """Rows and columns of the upright crop."""
        return self.crop_rows, self.crop_columns

    @property
    def anchor_points(self) -> npt.NDArray[np.float64]:
        """Average anchors in the crop, shape (A, 2)."""
        return np.array([[a.x, a.y] for a in self.anchors])

    @property
    def anchor_weights(self) -> npt.NDArray[np.float64]:
        """Weights of the anchors, shape (A,)."""
        return np.array([a.weight for a in self.anchors])


@lru_cache(maxsize=1)
def reading_settings() -> ReadingSettings:
    """The shipped settings."""
    return load(ReadingSettings, "reading.yaml")

"""Checked form of a training configuration."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field

from raysplay.configs.load import Config


class PoolSettings(Config):
    """The store of cast feet that batches are cut from.

    ``size`` feet are held; ``refresh`` new ones are cast after every step, so that generating runs beside
    training. ``pitch_mm``, ``rows`` and ``columns`` are the raster of a stored foot.
    """

    size: int = Field(gt=0)
    refresh: float = Field(ge=0)
    cast_batch: int = Field(gt=0)
    pitch_mm: float
    rows: int
    columns: int
    top_mm: float
    left_mm: float
    view_shares: dict[str, float]
    workers: int = Field(ge=0)


class TrainSettings(Config):
    """One run: which network, how long, on which generated feet."""

    network: Literal["landmarks", "locator"]
    seed: int
    device: Literal["auto", "cpu", "cuda"]
    steps: int = Field(gt=0)
    minutes: float = Field(gt=0)
    batch: int = Field(gt=0)
    learning_rate: float = Field(gt=0)
    warmup: int
    weight_decay: float
    average_decay: float
    start_from: Path | None
    out: Path
    save_every: int
    report_every: int
    real_films: Path | None
    real_share: float = Field(ge=0, lt=1)
    intensity_share: float
    pool: PoolSettings

"""How an accelerator is fed (``configs/accelerator.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated

from pydantic import Field

from raysplay.configs.load import Config, load, shipped

Seconds = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]


class AcceleratorSettings(Config):
    """Pictures in a batch, and how long is waited for the device."""

    batch: int = Field(ge=1, le=256)
    batch_seconds: Seconds
    start_seconds: Seconds
    more_workers: float = Field(ge=1.0, le=8.0)


@lru_cache(maxsize=1)
def accelerator_settings() -> AcceleratorSettings:
    """The settings of ``configs/accelerator.yaml``."""
    return load(AcceleratorSettings, shipped("accelerator.yaml"))

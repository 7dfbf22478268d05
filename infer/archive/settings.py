"""How a long run keeps going (``configs/engine.yaml``)."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated

from pydantic import Field

from raysplay.configs.load import Config, load, shipped

Seconds = Annotated[float, Field(gt=0.0, allow_inf_nan=False)]


class EngineSettings(Config):
    """Limits of time and the look-ahead of reading processes."""

    start_seconds: Seconds
    bytes_seconds: Seconds
    film_seconds: Seconds
    stall_seconds: Seconds
    lookahead: int = Field(ge=1, le=16)
    first_tables_seconds: Seconds
    tables_seconds: Seconds
    tables_share: float = Field(gt=0.0, le=1.0)
    connect_seconds: Seconds


@lru_cache(maxsize=1)
def engine_settings() -> EngineSettings:
    """The settings of ``configs/engine.yaml``."""
    return load(EngineSettings, shipped("engine.yaml"))

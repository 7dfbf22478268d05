"""Checked form of ``configs/outputs.yaml``."""

from __future__ import annotations

from functools import lru_cache

from pydantic import field_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.measure import MEASURES


class OverlaySettings(Config):
    """Measures drawn on a picture, in the order of its list."""

    measures: tuple[str, ...]

    @field_validator("measures")
    @classmethod
    def _exist(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        unknown = set(names) - {measure.name for measure in MEASURES}
        if unknown:
            raise ValueError(f"no such measure: {', '.join(sorted(unknown))}")
        return names


class OutputSettings(Config):
    """How results are shown."""

    overlay: OverlaySettings


@lru_cache(maxsize=1)
def output_settings() -> OutputSettings:
    """The shipped settings."""
    return load(OutputSettings, shipped("outputs.yaml"))

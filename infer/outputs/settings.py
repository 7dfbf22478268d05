"""Checked form of ``configs/outputs.yaml``."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated

from pydantic import Field, field_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.measure import MEASURES

Count = Annotated[int, Field(ge=1)]


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


class RunLimits(Config):
    """How much of a run folder is taken in; it may come from anywhere."""

    summary_bytes: Count
    table_bytes: Count
    landmark_bytes: Count
    rows: Count
    text_characters: Count
    coordinate: float = Field(gt=0.0)
    group_rows: Count
    group_bytes: Count


class OutputSettings(Config):
    """How results are shown, and how much of a finished run is taken in."""

    overlay: OverlaySettings
    run: RunLimits


@lru_cache(maxsize=1)
def output_settings() -> OutputSettings:
    """The settings of ``configs/outputs.yaml``.

    Raises
    ------
    ConfigError
        If the file does not fit the model or names an unknown measure.
    """
    return load(OutputSettings, shipped("outputs.yaml"))

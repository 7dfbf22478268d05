"""Checked form of ``configs/selection.yaml``."""

from __future__ import annotations

from functools import lru_cache

from pydantic import Field, model_validator

from raysplay.configs.load import Config, load, shipped


class SelectionSettings(Config):
    """From which value on a dorsoplantar foot counts as seen; 0..1."""

    seen_surely: float = Field(ge=0, le=1)
    seen_at_all: float = Field(ge=0, le=1)

    @model_validator(mode="after")
    def _ordered(self) -> SelectionSettings:
        if self.seen_at_all > self.seen_surely:
            raise ValueError("seen_at_all must not exceed seen_surely")
        return self


@lru_cache(maxsize=1)
def selection_settings() -> SelectionSettings:
    """The shipped settings.

    Raises
    ------
    ConfigError
        If ``selection.yaml`` does not fit the model.
    """
    return load(SelectionSettings, shipped("selection.yaml"))

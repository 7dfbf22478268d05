"""Checked form of ``configs/clinic.yaml``."""

from __future__ import annotations

from functools import lru_cache

from pydantic import Field

from raysplay.configs.load import Config, load, shipped


class ClinicSettings(Config):
    """Limits of the desk that films are dropped on."""

    upload_bytes: int = Field(ge=1)
    upload_seconds: float = Field(gt=0.0)
    free_bytes: int = Field(ge=0)
    quiet_seconds: float = Field(gt=0.0)
    wait_minutes: float = Field(gt=0.0)
    warm_minutes: float = Field(ge=0.0)
    warm_mib: float = Field(gt=0.0)
    listed_films: int = Field(ge=1)
    text_characters: int = Field(ge=1)
    open_seconds: float = Field(gt=0.0)


@lru_cache(maxsize=1)
def clinic_settings() -> ClinicSettings:
    """The shipped settings.

    Raises
    ------
    ConfigError
        If ``clinic.yaml`` does not fit the model.
    """
    return load(ClinicSettings, shipped("clinic.yaml"))

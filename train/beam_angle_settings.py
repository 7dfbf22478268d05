"""Checked form of ``configs/beam_angle_fit.yaml``."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from raysplay.configs.load import Config


class BeamAngleTraining(Config):
    """Which feet the beam's angle is fitted to; the file says what each key is."""

    seed: int
    feet: int = Field(ge=100)
    generators: Annotated[tuple[str, ...], Field(min_length=1)]
    tilt: tuple[float, float]
    field_length: float = Field(gt=0)
    field_sd: float = Field(ge=0)
    reading_sd: float = Field(ge=0)

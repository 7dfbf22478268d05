"""Checked form of ``configs/side_letter_fit.yaml``."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from raysplay.configs.load import Config

Pair = tuple[float, float]


class SideLetterTraining(Config):
    """How letters are drawn, and how the network learns them; the file says what each key is."""

    seed: int
    scenes: int = Field(ge=1)
    letters: float = Field(gt=0, lt=1)
    epochs: int = Field(ge=1)
    batch: int = Field(ge=2)
    learning_rate: float = Field(gt=0)
    weight_decay: float = Field(ge=0)
    fonts: Annotated[tuple[str, ...], Field(min_length=1)]
    stroke_letters: float = Field(ge=0, le=1)
    tilt: float = Field(ge=0, le=60)
    height: Pair
    level: Pair
    contrast: Pair
    blur: Pair
    grain: Pair

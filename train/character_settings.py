"""Checked form of ``configs/character_fit.yaml``."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from raysplay.train.patch_fit import PatchTraining

Pair = tuple[float, float]


class CharacterTraining(PatchTraining):
    """How lines of writing are drawn, and how the network learns their characters; the file says what each key is."""

    fonts: Annotated[tuple[str, ...], Field(min_length=1)]
    stroke_lines: float = Field(ge=0, le=1)
    bitmap_lines: float = Field(ge=0, le=1)
    small_letters: float = Field(ge=0, le=1)
    turned: float = Field(ge=0, le=1)
    bare: float = Field(ge=0, le=1)
    boxed: float = Field(ge=0, le=1)
    height: Pair
    tracking: Pair
    stretch: Pair
    reshaped: float = Field(ge=0, le=1)
    level: Pair
    contrast: Pair
    blur: Pair
    grain: Pair
    quality: tuple[int, int]

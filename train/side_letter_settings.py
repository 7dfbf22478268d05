"""Checked form of ``configs/side_letter_fit.yaml``."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from raysplay.train.patch_fit import PatchTraining

Pair = tuple[float, float]


class SideLetterTraining(PatchTraining):
    """How letters are drawn, and how the network learns them; the file says what each key is."""

    letters: float = Field(gt=0, lt=1)
    fonts: Annotated[tuple[str, ...], Field(min_length=1)]
    stroke_letters: float = Field(ge=0, le=1)
    tilt: float = Field(ge=0, le=60)
    height: Pair
    level: Pair
    contrast: Pair
    blur: Pair
    grain: Pair

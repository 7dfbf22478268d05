"""Checked form of ``configs/archive.yaml``."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from raysplay.configs.load import Config, load, shipped


def _adds_up(shares: dict[str, float]) -> dict[str, float]:
    if any(share < 0 for share in shares.values()) or not math.isclose(sum(shares.values()), 1, abs_tol=1e-6):
        raise ValueError("shares must not be negative and must add up to 1")
    return shares


def _ordered(pair: tuple[float, float]) -> tuple[float, float]:
    if pair[0] > pair[1]:
        raise ValueError("low must not exceed high")
    return pair


Share = Annotated[float, Field(ge=0, le=1)]
Shares = Annotated[dict[str, float], AfterValidator(_adds_up)]
Range = Annotated[tuple[float, float], AfterValidator(_ordered)]
MeanSd = tuple[float, Annotated[float, Field(ge=0)]]
View = Literal["dp", "oblique", "lateral"]


class FieldSet(Config):
    """Exposures that stand on one plate."""

    share: Share
    same: bool
    views: tuple[View, ...] = Field(min_length=2)


class FilmSettings(Config):
    """What is exposed and how it lies on the film."""

    layouts: Annotated[dict[Literal["single", "both", "fields"], float], AfterValidator(_adds_up)]
    views: Annotated[dict[View, float], AfterValidator(_adds_up)]
    field_sets: tuple[FieldSet, ...]
    left_share: Share
    toes: Annotated[dict[Literal["up", "down", "left", "right"], float], AfterValidator(_adds_up)]
    turn: MeanSd
    turned_share: Share
    turned: float
    toe_out: MeanSd
    between_feet: Range
    pixel_mm: Range
    max_pixels: int = Field(gt=0)
    max_side: int = Field(gt=0)
    margin: Range
    leg: Range
    forefoot_share: Share
    cut_share: Share
    cut: Range

    @model_validator(mode="after")
    def _sets_add_up(self) -> FilmSettings:
        _adds_up({str(k): part.share for k, part in enumerate(self.field_sets)})
        return self


class CollimationSettings(Config):
    """Edges of the field and of the plate."""

    edge_inside: Share
    border: Range
    angle: MeanSd
    odd_share: Share
    odd: float
    softness: Range
    grey: Range
    scatter: Range
    scatter_reach: Range
    black_share: Share
    gap: Range
    stacked_share: Share
    plate_edge_share: Share
    banding_share: Share
    banding: Range


class MarkSettings(Config):
    """Letters, text and aids on a film."""

    letter_missing: Share
    letter_wrong: Share
    letter_each: Share
    lead_share: Share
    letter_mm: Range
    lead_depth: Range
    letter_turn: MeanSd
    letter_any_turn: Share
    letter_reversed: Share
    holder_share: Share
    text_share: Share
    text_mm: Range
    text_box_share: Share
    sign_share: Share
    ruler_share: Share
    wedge_share: Share
    ball_share: Share
    corner_share: Share


class DicomSettings(Config):
    """How films are written."""

    monochrome1: Share
    bits: tuple[Annotated[int, Field(ge=8, le=16)], ...]
    computed_radiography: Share
    window_missing: Share
    laterality_missing: Share
    pixel_spacing: Annotated[dict[Literal["none", "same", "corrected"], float], AfterValidator(_adds_up)]
    spacing_missing: Share
    magnification: Range
    loading_stated: Share
    dp_view_position: Shares


class ArchiveSettings(Config):
    """All of ``archive.yaml``."""

    film: FilmSettings
    collimation: CollimationSettings
    marks: MarkSettings
    dicom: DicomSettings


@lru_cache(maxsize=1)
def archive_settings() -> ArchiveSettings:
    """The shipped settings."""
    return load(ArchiveSettings, shipped("archive.yaml"))

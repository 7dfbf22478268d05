"""Checked form of ``configs/archive.yaml``."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.configs.views import FootView

Layout = Literal["single", "both", "fields"]
Toes = Literal["up", "down", "left", "right"]
"""Which way the toes point on a film."""


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


class FieldSet(Config):
    """Exposures that stand on one plate."""

    share: Share
    same: bool
    views: tuple[FootView, ...] = Field(min_length=2)


class FilmSettings(Config):
    """What is exposed and how it lies on the film."""

    layouts: Annotated[dict[Layout, float], AfterValidator(_adds_up)]
    views: Annotated[dict[FootView, float], AfterValidator(_adds_up)]
    other_share: Share
    field_sets: tuple[FieldSet, ...]
    left_share: Share
    toes: Annotated[dict[Toes, float], AfterValidator(_adds_up)]
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


class ConditionSettings(Config):
    """Shares of feet that are unfit for measuring, and how much there is of it: 1 as met in practice."""

    growth_plates: Share = 0.0
    metal: Share = 0.0
    cast: Share = 0.0
    splint: Share = 0.0
    missing_toe: Share = 0.0
    overlap: Share = 0.0
    strength: float = Field(default=1.0, gt=0)


class WearSettings(Config):
    """Shares of films that lost something on their way, and how much: 1 as met in practice."""

    low_dose: Share = 0.0
    saturated: Share = 0.0
    grid: Share = 0.0
    dust: Share = 0.0
    scratches: Share = 0.0
    aids: Share = 0.0
    low_resolution: Share = 0.0
    jpeg: Share = 0.0
    unsharp: Share = 0.0
    curve: Share = 0.0
    photographed: Share = 0.0
    inverted: Share = 0.0
    strength: float = Field(default=1.0, gt=0)


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
    conditions: ConditionSettings
    wear: WearSettings
    dicom: DicomSettings


@lru_cache(maxsize=1)
def archive_settings() -> ArchiveSettings:
    """The shipped settings."""
    return load(ArchiveSettings, shipped("archive.yaml"))


@lru_cache(maxsize=1)
def plain_settings() -> ArchiveSettings:
    """The shipped settings without conditions of feet and without wear of films."""
    return archive_settings().model_copy(update={"conditions": ConditionSettings(), "wear": WearSettings()})


@lru_cache(maxsize=1)
def clean_settings() -> ArchiveSettings:
    """The plain settings narrowed to one whole foot from above, toes up."""
    plain = plain_settings()
    film = {
        "layouts": {"single": 1.0, "both": 0.0, "fields": 0.0},
        "views": {"dp": 1.0, "oblique": 0.0, "lateral": 0.0},
        "toes": {"up": 1.0, "down": 0.0, "left": 0.0, "right": 0.0},
        "turned_share": 0.0,
        "forefoot_share": 0.0,
        "cut_share": 0.0,
    }
    marks = plain.marks.model_copy(update={"letter_wrong": 0.0})
    return plain.model_copy(update={"film": plain.film.model_copy(update=film), "marks": marks})


_LAID: dict[str, dict[str, object]] = {
    "clean": {},
    "rotated": {"turned_share": 1.0},
    "two_feet": {"layouts": {"single": 0.0, "both": 1.0, "fields": 0.0}},
    "cropped": {"cut_share": 1.0},
    "oblique": {"views": {"dp": 0.0, "oblique": 1.0, "lateral": 0.0}},
    "lateral": {"views": {"dp": 0.0, "oblique": 0.0, "lateral": 1.0}},
    "non_foot": {"other_share": 1.0},
}

_FEET = tuple(name for name in ConditionSettings.model_fields if name != "strength")
_FILMS = tuple(name for name in WearSettings.model_fields if name != "strength")

FILM_CONDITIONS = (*_LAID, *_FEET, *_FILMS)
"""Names that :func:`condition_settings` knows."""


def condition_settings(name: str, strength: float = 1.0) -> ArchiveSettings:
    """Settings under which every film shows one condition, and no other.

    Parameters
    ----------
    name : str
        One of ``FILM_CONDITIONS``.
    strength : float
        How much of it there is, 1 as met in practice. What has no strength (a view, a missing toe) is not changed.

    Raises
    ------
    ValueError
        For an unknown name.
    """
    clean = clean_settings()
    if name in _LAID:
        changed = dict(_LAID[name])
        if name == "rotated":
            changed["turned"] = clean.film.turned * strength
        if name == "cropped":
            changed["cut"] = tuple(strength * v for v in clean.film.cut)
        return clean.model_copy(update={"film": clean.film.model_copy(update=changed)})
    if name in _FEET:
        return clean.model_copy(
            update={"conditions": ConditionSettings.model_validate({name: 1.0, "strength": strength})}
        )
    if name in _FILMS:
        return clean.model_copy(update={"wear": WearSettings.model_validate({name: 1.0, "strength": strength})})
    raise ValueError(f"{name}: no such condition; known are {', '.join(FILM_CONDITIONS)}")

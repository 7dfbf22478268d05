"""Checked form of ``configs/review.yaml``."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated

from pydantic import Field, field_validator

from raysplay.configs.grades import schemes
from raysplay.configs.load import Config, load, shipped
from raysplay.configs.protocol import Cited

Count = Annotated[int, Field(ge=1)]


class HandPlaced(Config):
    """Standard deviation, in x and in y, of a point that a person placed."""

    millimetres: Cited
    pixels: Cited


class FilmCache(Config):
    """Memory for decoded films, in bytes, and how many films are decoded ahead of a reader."""

    cache_bytes: Count
    ahead: int = Field(ge=0)


class ConnectionLimits(Config):
    """How many connections the server keeps, and how long each may keep it waiting."""

    most: Count
    head_seconds: float = Field(gt=0.0)
    body_seconds: float = Field(gt=0.0)
    idle_seconds: float = Field(gt=0.0)
    answer_seconds: float = Field(gt=0.0)


class ReviewSettings(Config):
    """How feet are reviewed."""

    hand_placed: HandPlaced
    grading: str
    not_measurable: Annotated[tuple[str, ...], Field(min_length=1)]
    same_point_pixels: float = Field(gt=0.0)
    claim_minutes: float = Field(gt=0.0)
    page_feet: Count
    body_bytes: Count
    text_characters: Count
    compared_feet: Count
    repeat_distance: Count
    films: FilmCache
    connections: ConnectionLimits

    @field_validator("grading")
    @classmethod
    def _exists(cls, name: str) -> str:
        if name not in {one.name for one in schemes()}:
            raise ValueError(f"no such scheme: {name}")
        return name


@lru_cache(maxsize=1)
def review_settings() -> ReviewSettings:
    """The shipped settings.

    Raises
    ------
    ConfigError
        If ``review.yaml`` does not fit the model or names an unknown scheme.
    """
    return load(ReviewSettings, shipped("review.yaml"))

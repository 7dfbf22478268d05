"""Checked form of ``configs/reading.yaml``."""

from __future__ import annotations

from functools import lru_cache
from typing import Annotated, Generic, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import Field, field_validator

from raysplay.configs.load import Config, landmark_schema, load, shipped

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0)]
Side = Annotated[int, Field(ge=32, le=4096, multiple_of=16)]
"""Pixels; the coarsest features of the networks stand for 16 each."""


_Of = TypeVar("_Of")


class Anchor(Config):
    """A landmark that places the crop: its average position in the crop and its weight."""

    code: str
    x: float
    y: float
    weight: float = Field(gt=0.0)

    @field_validator("code")
    @classmethod
    def _exists(cls, code: str) -> str:
        if code not in landmark_schema().codes:
            raise ValueError(f"no such landmark: {code}")
        return code


class ShaftEdgeSettings(Config):
    """How the film's own edges of shafts are weighed against the network; ``configs/reading.yaml`` explains each."""

    confidence_min: Share
    network_sd: Positive
    search_factor: Positive
    search_least: Positive
    search_most: Positive
    edge_sd: Positive
    scatter_factor: Positive
    softness_sd: Positive
    pixel_sd: Positive
    right: Share
    right_least: Share
    astray_sd: Positive
    gross_error: Positive
    gross_share: Share


class ReaderSettings(Config):
    """A pair of networks that read films.

    Names of weights, as they ship and as their files are marked; and from which move of the crop on (root mean square
    over its corners, pixels) it is read once more.
    """

    locator: str
    landmarks: str
    again_beyond: float = Field(ge=0.0)


class _ByLetter(Config, Generic[_Of]):
    """A setting of each letter."""

    L: _Of
    R: _Of

    def of(self, letter: str) -> _Of:
        """That of ``L`` or ``R``."""
        return self.L if letter == "L" else self.R


class SideLetterSettings(Config):
    """How side letters are looked for; lengths are shares of the film's longer side.

    Attributes
    ----------
    longest : int
        About how long the longer side of the reduced film is, in pixels.
    height : (float, float)
        Shortest and longest letter.
    least_pixels : int
        Of a letter's height on the reduced film.
    stroke : float
        What is wider is no stroke.
    steps : tuple of int
        Grey levels of 255 by which a letter is brighter than what is round it; each is tried.
    narrowest : float
        Shorter over longer side of a letter's box.
    filled : (float, float)
        Share of the box that a letter fills.
    parts_max : int
        Parts of a film that the network looks at, the brightest first.
    doubtful_below : float for L and R
        By letter: with a lower score it is left out, 0..1,
    other_most : float
        and so is one that could be another, or its mirror image, with a higher one.
    step_least : int for L and R
        By letter: grey levels of 255 by which it must stand out.
    uneven_most : float
        By how much grey may differ round it, as a share of what it stands out by.
    corner : float
        An L that lies nearer to two edges of the film is taken for the mark of its corner.
    """

    longest: int = Field(ge=300)
    height: tuple[Share, Share]
    least_pixels: int = Field(ge=1)
    stroke: Share
    steps: Annotated[tuple[Annotated[int, Field(ge=1, le=255)], ...], Field(min_length=1)]
    narrowest: Share
    filled: tuple[Share, Share]
    parts_max: int = Field(ge=1)
    doubtful_below: _ByLetter[Share]
    other_most: Share
    step_least: _ByLetter[Annotated[int, Field(ge=1, le=255)]]
    uneven_most: float = Field(gt=0)
    corner: Share


class WordGap(Config):
    """A gap between words, in heights: how wide it is at least, and by how much wider than half of its line's are."""

    least: Positive
    wider: float = Field(ge=0.0)


class FilmWordSettings(Config):
    """When words on a film are taken for read.

    Attributes
    ----------
    sure : float
        Score from which a character is read, 0..1.
    sure_short : float
        The same in words of fewer than ``long`` characters.
    long : int
        Characters of a word in which one doubtful one may be made out by the word; and of what is read on a line that
        is not upright.
    possible : float
        Score from which a doubtful character may be one.
    gaps : tuple of WordGap
        By which words are told apart; the first by which all words of a line are known.
    lines_apart : float
        Gap between lines that belong together, in heights.
    lines_max : int
        Lines of a film that are read, the largest first.
    beside : tuple of str
        Words that may stand beside words on loading, besides those for views, parts and sides.
    """

    sure: Share
    sure_short: Share
    long: int = Field(ge=1)
    possible: Share
    gaps: Annotated[tuple[WordGap, ...], Field(min_length=1)]
    lines_apart: Positive
    lines_max: int = Field(ge=1)
    beside: tuple[str, ...]


class BeamAngleSettings(Config):
    """When the beam's angle can be told, and when it is remarked on; degrees.

    Attributes
    ----------
    inflation : float
        Half the interval, in standard deviations of the estimate.
    strange_from : float
        Squared Mahalanobis distance a coordinate, about 1 for a generated foot, from which it cannot be told.
    widest : float
        Width of an interval beyond which it cannot be told.
    usual : (float, float)
        What standing feet are taken with; an interval wholly beyond is remarked on.
    """

    inflation: float = Field(gt=0.0)
    strange_from: float = Field(gt=0.0)
    widest: float = Field(gt=0.0)
    usual: tuple[float, float]


class ReadingSettings(Config):
    """How feet are found and cut out, and how shafts are refined (``shaft_edges``; none: the network alone)."""

    film_side: Side
    crop_rows: Side
    crop_columns: Side
    anchors: Annotated[tuple[Anchor, ...], Field(min_length=2)]
    score_min: Share
    margin: float = Field(ge=0.0)
    score_min_beyond: Share
    same_foot: float = Field(ge=0.0)
    feet_max: int = Field(ge=1)
    passes: int = Field(ge=1)
    readers: Annotated[dict[str, ReaderSettings], Field(min_length=1)]
    shaft_edges: ShaftEdgeSettings | None
    side_letters: SideLetterSettings
    film_words: FilmWordSettings
    beam_angle: BeamAngleSettings

    @property
    def crop_size(self) -> tuple[int, int]:
        """Rows and columns of the upright crop."""
        return self.crop_rows, self.crop_columns

    def reader_of(self, network: str) -> ReaderSettings | None:
        """The reader whose landmarks the network of that name places; none if it is no reader's."""
        return next((one for one in self.readers.values() if one.landmarks == network), None)

    @property
    def anchor_points(self) -> npt.NDArray[np.float64]:
        """Average anchors in the crop, shape (A, 2)."""
        return np.array([[a.x, a.y] for a in self.anchors])

    @property
    def anchor_weights(self) -> npt.NDArray[np.float64]:
        """Weights of the anchors, shape (A,)."""
        return np.array([a.weight for a in self.anchors])


@lru_cache(maxsize=1)
def reading_settings() -> ReadingSettings:
    """The shipped settings.

    Raises
    ------
    ConfigError
        If ``reading.yaml`` does not fit the model or names an unknown landmark.
    """
    return load(ReadingSettings, shipped("reading.yaml"))

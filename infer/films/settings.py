"""What a file must satisfy to be decoded, and what decoding may cost (``configs/films.yaml``)."""

from __future__ import annotations

from functools import lru_cache

from pydantic import Field, model_validator

from raysplay.configs.load import Config, load, shipped
from raysplay.infer.films.film import FilmRejected


class FilmLimits(Config):
    """Limits of one run; sizes in pixels, shares and tolerances 0..1, percentiles 0..100.

    ``beyond_window`` keeps grey values outside the window, below 0 and above 1, for a screen where a person sets
    another one; networks were trained on films cut off at the window. ``person_key`` is what persons are coded by
    (:mod:`.person`); without it they are not.
    """

    max_file_bytes: int = Field(gt=0)
    max_side: int = Field(gt=0)
    max_pixels: int = Field(gt=0)
    min_side: int = Field(gt=1)
    decode_memory_bytes: int = Field(gt=0)
    decode_seconds: float = Field(gt=0)
    max_jpeg_scans: int = Field(gt=0)
    max_frames: int = Field(gt=0)
    max_zip_members: int = Field(gt=0)
    max_zip_directory_bytes: int = Field(gt=0)
    max_zip_ratio: float = Field(gt=1)
    max_directory_files: int = Field(gt=0)
    percentile_window: tuple[float, float]
    colour_tolerance: float = Field(ge=0, le=1)
    colour_share: float = Field(ge=0, le=1)
    photograph_tint: float = Field(ge=0, le=1)
    photograph_spread: tuple[float, float]
    beyond_window: bool = False
    person_key: str = Field(default="", repr=False)

    @model_validator(mode="after")
    def _ordered(self) -> FilmLimits:
        low, high = self.percentile_window
        if not 0 <= low < high <= 100:
            raise ValueError("percentile_window must be two rising percentages")
        if self.min_side > self.max_side:
            raise ValueError("min_side must not exceed max_side")
        return self

    def check_size(self, rows: int, columns: int) -> None:
        """Refuse a declared size before anything is decoded.

        Raises
        ------
        FilmRejected
            If a side or the number of pixels lies outside the limits.
        """
        size = f"{columns} x {rows} pixels"
        if rows < 1 or columns < 1:
            raise FilmRejected(f"the file declares an impossible size ({size})")
        if max(rows, columns) > self.max_side:
            raise FilmRejected(f"too large: {size}, a side may have {self.max_side}")
        if rows * columns > self.max_pixels:
            raise FilmRejected(f"too large: {size}, the limit is {self.max_pixels} pixels in all")
        if min(rows, columns) < self.min_side:
            raise FilmRejected(f"too small: {size}, a side needs at least {self.min_side}")


@lru_cache(maxsize=1)
def film_settings() -> FilmLimits:
    """The limits of ``configs/films.yaml``.

    Raises
    ------
    ConfigError
        If the file does not fit the model.
    """
    return load(FilmLimits, shipped("films.yaml"))

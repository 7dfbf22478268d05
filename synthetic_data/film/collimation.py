"""Where radiation reached the plate: fields with sharp or soft edges, the plate round them, its rim."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter1d

from raysplay.synthetic_data.film.settings import CollimationSettings

FloatImage = npt.NDArray[np.float32]

_STEEPNESS = 3.0
"""Grey to exposure: an open field under a second exposure loses about a quarter of the grey range."""


@dataclass(frozen=True)
class Field:
    """A rectangle on the plate that the collimator lets through, in mm of the film (x right, y down).

    ``angle`` turns it clockwise, in degrees; ``softness`` is the width of the half shadow.
    """

    x: float
    y: float
    width: float
    height: float
    angle: float
    softness: float


@dataclass(frozen=True)
class Surround:
    """The plate outside the fields: ``grey`` with bone bright, scattered radiation near edges, or black."""

    grey: float
    scatter: float
    scatter_reach: float
    black: bool


def draw_edge(rng: np.random.Generator, settings: CollimationSettings) -> tuple[float, float]:
    """Angle and softness of the edges of one field."""
    angle = rng.normal(*settings.angle)
    if rng.random() < settings.odd_share:
        angle = rng.uniform(-settings.odd, settings.odd)
    low, high = np.log(settings.softness)
    return float(angle), float(np.exp(rng.uniform(low, high)))


def draw_surround(rng: np.random.Generator, settings: CollimationSettings) -> Surround:
    """Draw what the plate looks like outside the fields."""
    return Surround(
        float(rng.uniform(*settings.grey)),
        float(rng.uniform(*settings.scatter)),
        float(rng.uniform(*settings.scatter_reach)),
        bool(rng.random() < settings.black_share),
    )


def _depth(field: Field, size: tuple[int, int], origin: tuple[int, int], pixel_mm: float) -> FloatImage:
    """Distance of every pixel centre inside the nearest edge of the field, in mm; negative outside."""
    rows, columns = size
    x = ((np.arange(columns, dtype=np.float32) + origin[0]) * pixel_mm - field.x)[None, :]
    y = ((np.arange(rows, dtype=np.float32) + origin[1]) * pixel_mm - field.y)[:, None]
    c, s = np.float32(np.cos(np.radians(field.angle))), np.float32(np.sin(np.radians(field.angle)))
    along, across = np.abs(c * x + s * y), np.abs(c * y - s * x)
    depth: FloatImage = np.minimum(field.width / 2 - along, field.height / 2 - across).astype(np.float32)
    return depth


def openness(field: Field, size: tuple[int, int], origin: tuple[int, int], pixel_mm: float) -> FloatImage:
    """Share of the focal spot that every pixel sees, shape ``size``; ``origin`` is the column and row of [0, 0]."""
    depth = _depth(field, size, origin, pixel_mm)
    share: FloatImage = np.clip(0.5 + depth / max(field.softness, 0.5 * pixel_mm), 0, 1).astype(np.float32)
    return share


def join_exposures(
    exposures: list[tuple[FloatImage, Field, tuple[int, int]]],
    size: tuple[int, int],
    pixel_mm: float,
    surround: Surround,
) -> FloatImage:
    """One plate from exposures made one after the other; what two fields share is exposed twice.

    Parameters
    ----------
    exposures : list of (picture, field, origin)
        Grey values 0..1 with bone bright of a window of the plate, and the column and row of its corner.
    size : (rows, columns)
    pixel_mm : float
    surround : Surround

    Returns
    -------
    ndarray of float32, shape ``size``, 0..1
    """
    dose = np.zeros(size, np.float32)
    closed = np.ones(size, np.float32)
    seen = np.zeros(size, bool)
    leak = np.full(size, np.exp(-_STEEPNESS * surround.grey), np.float32)
    for picture, field, (left, top) in exposures:
        rows, columns = picture.shape
        window = slice(top, top + rows), slice(left, left + columns)
        share = openness(field, picture.shape, (left, top), pixel_mm)
        dose[window] += share * np.exp(-_STEEPNESS * picture)
        closed[window] *= 1 - share
        seen[window] |= share > 0.5
        if not surround.black and surround.scatter > 0:
            outside = np.minimum(_depth(field, size, (0, 0), pixel_mm), 0)
            leak += np.float32(surround.scatter) * np.exp(outside / surround.scatter_reach)
    film = -np.log(np.maximum(dose + closed * np.minimum(leak, 1), 1e-6)) / _STEEPNESS
    if surround.black:
        film = np.where(seen, film, 0)
    joined: FloatImage = np.clip(film, 0, 1).astype(np.float32)
    return joined


def plate_edge(rng: np.random.Generator, film: FloatImage, pixel_mm: float) -> None:
    """Draw the bright ragged rim of a storage plate into ``film``."""
    for side in range(4):
        if rng.random() < 0.25:
            continue
        view = film if side < 2 else film.T
        view = view[::-1] if side % 2 else view
        length = view.shape[1]
        inset = rng.uniform(0.0, 2.0) / pixel_mm
        width = rng.uniform(0.3, 1.1) / pixel_mm
        ragged = gaussian_filter1d(rng.standard_normal(length), 1.5 / pixel_mm)
        ragged *= rng.uniform(0.1, 0.5) / pixel_mm / max(float(ragged.std()), 1e-6)
        slope = np.linspace(-1, 1, length) * rng.normal(0, 0.8) / pixel_mm
        depth = int(np.ceil(6 / pixel_mm))
        row = np.arange(min(depth, view.shape[0]))[:, None]
        far = np.abs(row - (inset + ragged + slope)[None, :])
        strength = rng.uniform(0.4, 1.0) * np.clip(gaussian_filter1d(rng.uniform(0, 1.6, length), 6 / pixel_mm), 0, 1)
        line = np.clip(1.5 - far / width, 0, 1) * strength[None, :]
        view[: len(row)] = np.maximum(view[: len(row)], line)


def banding(rng: np.random.Generator, film: FloatImage, pixel_mm: float, strength: float) -> None:
    """Add lines from the reader of a storage plate along one side of ``film``."""
    view = film if rng.random() < 0.8 else film.T
    fine = gaussian_filter1d(rng.standard_normal(view.shape[1]), 0.4 / pixel_mm)
    broad = gaussian_filter1d(rng.standard_normal(view.shape[1]), 8 / pixel_mm)
    line = fine / max(float(fine.std()), 1e-6) + broad / max(float(broad.std()), 1e-6)
    view += (strength * line).astype(np.float32)[None, :]
    np.clip(film, 0, 1, out=film)

"""Strips of a film along the outer cortices of shafts: straight pictures that one 3 x 3 matrix each cuts out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.infer.warp import blocks_under, resample, shrink

FloatArray = npt.NDArray[np.float64]
Picture = npt.NDArray[np.float32]

ROWS, COLUMNS, POOL = 144, 48, 2
"""Levels and columns of a strip as sampled; ``POOL`` neighbouring levels are averaged."""

BEYOND = 0.25
"""A strip reaches this share of the distance between the two levels beyond either."""

REACH = 0.22
"""A strip reaches this share of the shaft's width to either side of the line through the network's points."""

COLUMN = 2 * REACH / (COLUMNS - 1)
"""Distance between columns as a share of the width."""

LEVELS = -BEYOND + (1 + 2 * BEYOND) * (np.arange(ROWS // POOL) + 0.5) / (ROWS // POOL)
"""Where the rows of a strip lie: 0 at the proximal, 1 at the distal level."""


@dataclass(frozen=True)
class Shafts:
    """Where B shafts lie, by their corners in the order p_med, p_lat, d_med, d_lat.

    Attributes
    ----------
    middle, axis, across : ndarray, shape (B, 2)
        Proximal mid-point; unit vectors distally and to the lateral side.
    length, width : ndarray, shape (B,)
        Distance between the mid-points of the levels; mean distance of the cortices.
    level : ndarray, shape (B, 4)
        Place of each corner along the axis as a share of the length.
    aside : ndarray, shape (B, 4)
        Its distance from the axis, positive laterally.
    slope : ndarray, shape (B, 2)
        Lateral drift of the medial and the lateral line through the corners, for each unit along the axis.
    """

    middle: FloatArray
    axis: FloatArray
    across: FloatArray
    length: FloatArray
    width: FloatArray
    level: FloatArray
    aside: FloatArray
    slope: FloatArray

    @classmethod
    def of(cls, corners: FloatArray) -> Shafts:
        """From corners of shape (B, 4, 2) in a plane of square pixels; ``nan`` where the levels coincide."""
        middle = corners[:, :2].mean(1)
        run = corners[:, 2:].mean(1) - middle
        with np.errstate(invalid="ignore", divide="ignore"):
            length = np.linalg.norm(run, axis=1)
            axis = run / length[:, None]
            across = np.stack([axis[:, 1], -axis[:, 0]], axis=1)
            span = (corners[:, 1] - corners[:, 0] + corners[:, 3] - corners[:, 2]) / 2
            width = (span * across).sum(1)
            across = across * np.where(width < 0, -1.0, 1.0)[:, None]
            off = corners - middle[:, None]
            level = np.einsum("bkc,bc->bk", off, axis) / length[:, None]
            aside = np.einsum("bkc,bc->bk", off, across)
            slope = (aside[:, 2:] - aside[:, :2]) / ((level[:, 2:] - level[:, :2]) * length[:, None])
        return cls(middle, axis, across, length, np.abs(width), level, aside, slope)


def cut_strips(pixels: Picture, film_from_even: FloatArray, shafts: Shafts) -> Picture:
    """The medial and the lateral strip of every shaft.

    Parameters
    ----------
    pixels : ndarray, shape (R, K)
    film_from_even : ndarray, shape (3, 3)
        From the plane of square pixels in which the shafts lie to pixels of the film.
    shafts : Shafts

    Returns
    -------
    ndarray, shape (B, 2, ROWS / POOL, COLUMNS)
        Columns run from outside the bone inward, rows distally. The line through the network's two points of that
        cortex is the middle between the two middle columns.
    """
    step = (1 + 2 * BEYOND) / ROWS
    first = -BEYOND + step / 2
    matrices = np.zeros((len(shafts.length), 2, 3, 3))
    matrices[..., 2, 2] = 1.0
    for side, inward in ((0, 1.0), (1, -1.0)):
        start = first - shafts.level[:, side]
        column = inward * COLUMN * shafts.width[:, None] * shafts.across
        row = shafts.length[:, None] * (shafts.axis + shafts.slope[:, side, None] * shafts.across)
        on_line = (
            shafts.middle
            + (first * shafts.length)[:, None] * shafts.axis
            + (shafts.aside[:, side] + shafts.slope[:, side] * start * shafts.length)[:, None] * shafts.across
        )
        matrices[:, side, :2, 0] = column
        matrices[:, side, :2, 1] = step * row
        matrices[:, side, :2, 2] = on_line - column * (COLUMNS - 1) / 2
    film_from_strip = film_from_even @ matrices.reshape(-1, 3, 3)
    corners = film_from_strip @ np.array([[0, COLUMNS - 1, 0, COLUMNS - 1], [0, 0, ROWS - 1, ROWS - 1], [1, 1, 1, 1]])
    low, high = corners[:, :2].min((0, 2)), corners[:, :2].max((0, 2))
    box = np.array([[1, 0, low[0]], [0, 1, low[1]], [0, 0, 1.0]])
    # Averaged where the film is finer than the strips, as every crop is.
    factor = max(1, int(COLUMN * float(np.median(shafts.width)) + 0.25))
    window, origin = blocks_under(pixels, box, (int(high[1] - low[1]) + 2, int(high[0] - low[0]) + 2), factor)
    small, window_from_small = shrink(window, factor)
    film_from_small = np.array([[1, 0, origin[0]], [0, 1, origin[1]], [0, 0, 1.0]]) @ window_from_small
    small_from_strip = np.linalg.inv(film_from_small) @ film_from_strip
    strips = np.stack([resample(small, matrix, (ROWS, COLUMNS)) for matrix in small_from_strip])
    pooled: Picture = strips.reshape(-1, 2, ROWS // POOL, POOL, COLUMNS).mean(3)
    return pooled

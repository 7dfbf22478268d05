"""The outer cortex along a strip: a path of steep rise from dark to bright, and a straight line at each level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import gaussian_filter1d

from raysplay.infer.shafts.strips import COLUMN, COLUMNS, LEVELS, Picture

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_BLUR_ACROSS, _BLUR_ALONG = 0.0125, 0.01
"""Smoothing before edges are looked for, as shares of the width and of the distance between levels."""

_FALL = 0.6
"""The bone's outline lies this many half widths of the rise outside its steepest place.

A beam that grazes a round bone passes through none of it, so brightness starts at the outline with no step and is
steepest further in; the outer half width of the rise says how far. Measured on generated films (0.55 to 0.6). Alike on
both sides of a shaft, so the axis hardly depends on it.
"""

_DRAW, _BEND, _STEP = 4.0, 0.2, 3
"""Pull of a rise of strength 1 against leaving the network's line by one standard deviation; cost of a step aside; the
widest step from one row to the next, in columns."""

_NEAR = 0.07
"""Half height of the window at a level, as a share of the distance between levels: a shaft is straight over it."""

_LEAST_SCATTER = 0.002
"""Share of the width; what remains of a path's scatter where neighbouring rows agree by chance."""


@dataclass(frozen=True)
class CortexFits:
    """What the film shows of each cortex at each level; all arrays have shape (B, 2 sides, 2 levels).

    Attributes
    ----------
    offset : ndarray
        Found edge inward of the network's line, as a share of the shaft's width.
    slope : ndarray
        Drift of the edge inward of that line, in widths for each distance between levels.
    scatter : ndarray
        Robust standard deviation of the rows about the fitted line, as a share of the width.
    strength : ndarray
        Rise at the edge against the steep places of the same rows; near 1.3 at a clear cortex, 0 where there is no
        edge.
    softness : ndarray
        Outer half width of the rise, as a share of the shaft's width.
    """

    offset: FloatArray
    slope: FloatArray
    scatter: FloatArray
    strength: FloatArray
    softness: FloatArray


def find_cortices(strips: Picture, level: FloatArray, doubt: FloatArray) -> CortexFits:
    """Find the outer cortex in each strip and fit it at both levels.

    Parameters
    ----------
    strips : ndarray, shape (B, 2, R, C)
        From :func:`~raysplay.infer.shafts.strips.cut_strips`.
    level : ndarray, shape (B, 2, 2)
        Where the fits are wanted, by side and level: about 0 and 1.
    doubt : ndarray, shape (B, 2, 2)
        How far the edge may lie from the network's line at each, a standard deviation in widths.

    Returns
    -------
    CortexFits
        ``strength`` is 0 where no row lies near the level.
    """
    rise = gaussian_filter1d(strips.astype(np.float64), _BLUR_ALONG / (LEVELS[1] - LEVELS[0]), axis=2)
    rise = gaussian_filter1d(rise, _BLUR_ACROSS / COLUMN, axis=3, order=1).reshape(-1, *strips.shape[2:])
    steep = np.abs(rise)
    usual = np.quantile(steep, 0.9, axis=2, keepdims=True)
    usual = np.maximum(usual, 0.3 * np.quantile(steep, 0.9, axis=(1, 2), keepdims=True)) + 1e-4
    relative = rise / usual
    share = np.clip(LEVELS, 0.0, 1.0)
    ends = doubt.reshape(-1, 2)
    allowed = ends[:, :1] * (1 - share) + ends[:, 1:] * share
    aside = (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * COLUMN
    path = follow(_DRAW * np.maximum(relative, -0.5) - 0.5 * (aside / allowed[..., None]) ** 2)
    edge, half_width = _between_columns(rise, path)
    softness = half_width * COLUMN
    offset = (edge - (COLUMNS - 1) / 2) * COLUMN - _FALL * softness
    strength = np.take_along_axis(relative, path[..., None], 2)[..., 0]
    fits = [_line(offset, strength, softness, level.reshape(-1, 2)[:, k]) for k in (0, 1)]
    shape = (*strips.shape[:2], 2)
    return CortexFits(*(np.stack(part, axis=-1).reshape(shape) for part in zip(*fits, strict=True)))


def follow(score: FloatArray) -> IntArray:
    """Best path down each picture: one column a row, most score, few steps aside (dynamic programming).

    Parameters
    ----------
    score : ndarray, shape (E, R, C)

    Returns
    -------
    ndarray of int, shape (E, R)

    Examples
    --------
    >>> import numpy as np
    >>> score = np.zeros((1, 4, 5)); score[0, [0, 1, 2, 3], [1, 1, 2, 2]] = 5.0
    >>> follow(score).tolist()
    [[1, 1, 2, 2]]
    """
    pictures, rows, columns = score.shape
    cost = _BEND * np.arange(-_STEP, _STEP + 1)[:, None] ** 2
    best = score[:, 0]
    came = np.zeros((pictures, rows, columns), dtype=np.intp)
    wide = np.full((pictures, columns + 2 * _STEP), -np.inf)
    # A view, (E, steps aside, C): it shows what is put into `wide` row by row.
    before = sliding_window_view(wide, columns, axis=1)
    for row in range(1, rows):
        wide[:, _STEP:-_STEP] = best
        options = before - cost
        came[:, row] = np.arange(columns) + options.argmax(1) - _STEP
        best = options.max(1) + score[:, row]
    path = np.zeros((pictures, rows), dtype=np.intp)
    path[:, -1] = best.argmax(1)
    for row in range(rows - 1, 0, -1):
        path[:, row - 1] = np.take_along_axis(came[:, row], path[:, row, None], 1)[:, 0]
    return path


def _between_columns(rise: FloatArray, path: IntArray) -> tuple[FloatArray, FloatArray]:
    """Steepest place of each row to a part of a column, and the outer half width of the rise, in columns."""
    columns = rise.shape[2]
    inside = np.clip(path, 1, columns - 2)
    before, top, after = (np.take_along_axis(rise, (inside + k)[..., None], 2)[..., 0] for k in (-1, 0, 1))
    curve = before - 2 * top + after
    peaked = np.abs(curve) > 1e-9
    shift = np.where(peaked, 0.5 * (before - after) / np.where(peaked, curve, 1.0), 0.0).clip(-1, 1)
    outward = np.arange(14)
    far = np.clip(inside[..., None] - outward, 0, columns - 1)
    fall = np.take_along_axis(rise, far, 2) / np.maximum(top, 1e-6)[..., None]
    low = fall < 0.5
    first = np.where(low.any(2), low.argmax(2), outward[-1])
    last = np.maximum(first - 1, 0)
    above, below = (np.take_along_axis(fall, k[..., None], 2)[..., 0] for k in (last, first))
    part = np.where(first > 0, (above - 0.5) / np.maximum(above - below, 1e-6), 0.0).clip(0, 1)
    return inside + shift, last + part + shift


def _line(
    offset: FloatArray, strength: FloatArray, softness: FloatArray, level: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """The five of :class:`CortexFits` for (E, R) edges near a level (E,) each; robust against stray rows."""
    away = LEVELS - level[:, None]
    near = np.abs(away) < _NEAR
    count = near.sum(1)
    trust = near * np.clip(strength, 0.02, 1.0)
    weight = trust
    with np.errstate(invalid="ignore", divide="ignore"):
        for _ in range(5):
            w, wx, wxx = weight.sum(1), (weight * away).sum(1), (weight * away**2).sum(1)
            wy, wxy = (weight * offset).sum(1), (weight * away * offset).sum(1)
            determinant = w * wxx - wx * wx
            at = (wxx * wy - wx * wxy) / determinant
            slope = (w * wxy - wx * wy) / determinant
            left = np.abs(offset - at[:, None] - slope[:, None] * away)
            scatter = 1.4826 * _median(left, near) + _LEAST_SCATTER
            weight = trust * np.minimum(1.0, 1.5 * scatter[:, None] / np.maximum(left, 1e-9)) ** 2
        mean, soft = (np.where(near, part, 0.0).sum(1) / count for part in (strength, softness))
    known = (count >= 3) & np.isfinite(at) & np.isfinite(slope)
    return (
        np.where(known, at, 0.0),
        np.where(known, slope, 0.0),
        np.where(known, scatter, 1.0),
        np.where(known, mean, 0.0),
        np.where(known, soft, 1.0),
    )


def _median(values: FloatArray, chosen: npt.NDArray[np.bool_]) -> FloatArray:
    """Median of the chosen entries of each row; ``nan`` where none is."""
    order = np.sort(np.where(chosen, values, np.inf), axis=1)
    count = chosen.sum(1)
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, values.shape[1] - 1)
    middle = (np.take_along_axis(order, low[:, None], 1) + np.take_along_axis(order, high[:, None], 1))[:, 0] / 2
    return np.where(count > 0, middle, np.nan)

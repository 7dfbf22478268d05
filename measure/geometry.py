"""Signed angles, perpendiculars and distances in the right-foot frame (+x lateral, +y distal)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def ang(v: npt.ArrayLike, w: npt.ArrayLike) -> FloatArray:
    """Signed angle from ``v`` to ``w``; positive where ``w`` points more laterally than ``v``.

    ``atan2(v.y * w.x - v.x * w.y, v . w)`` in the right-foot frame. Signed, since varus of the great toe and
    negative intermetatarsal angles occur.

    Parameters
    ----------
    v, w : array_like, shape (..., 2)
        Directions in any one unit of length; leading axes broadcast.

    Returns
    -------
    ndarray, shape (...)
        Degrees in [-180, 180]; ``nan`` where a direction is ``nan`` or has no length.

    Examples
    --------
    >>> float(ang([0.0, 1.0], [1.0, 1.0]))
    45.0
    >>> float(ang([0.0, 1.0], [-1.0, 1.0]))
    -45.0
    """
    v = np.asarray(v, dtype=np.float64)
    w = np.asarray(w, dtype=np.float64)
    across = v[..., 1] * w[..., 0] - v[..., 0] * w[..., 1]
    along = v[..., 0] * w[..., 0] + v[..., 1] * w[..., 1]
    angle = np.degrees(np.arctan2(across, along))
    return np.where((across == 0.0) & (along == 0.0), np.nan, angle)


def distal_normal(medial_to_lateral: npt.ArrayLike) -> FloatArray:
    """Distal-pointing perpendicular of a line that runs from medial to lateral.

    Parameters
    ----------
    medial_to_lateral : array_like, shape (..., 2)

    Returns
    -------
    ndarray, shape (..., 2)
        Same length as the input.

    Examples
    --------
    >>> distal_normal([2.0, 0.0]).tolist()
    [-0.0, 2.0]
    """
    t = np.asarray(medial_to_lateral, dtype=np.float64)
    return np.stack([-t[..., 1], t[..., 0]], axis=-1)


def lateral_normal(distal: npt.ArrayLike) -> FloatArray:
    """Lateral-pointing perpendicular of an axis that points distally.

    Parameters
    ----------
    distal : array_like, shape (..., 2)

    Returns
    -------
    ndarray, shape (..., 2)
        Same length as the input.

    Examples
    --------
    >>> lateral_normal([0.0, 2.0]).tolist()
    [2.0, -0.0]
    """
    a = np.asarray(distal, dtype=np.float64)
    return np.stack([a[..., 1], -a[..., 0]], axis=-1)


def length(v: npt.ArrayLike) -> FloatArray:
    """Length of a vector, in its own unit.

    Examples
    --------
    >>> float(length([3.0, 4.0]))
    5.0
    """
    v = np.asarray(v, dtype=np.float64)
    size: FloatArray = np.sqrt(v[..., 0] ** 2 + v[..., 1] ** 2)
    return size


def along(axis: npt.ArrayLike, offset: npt.ArrayLike) -> FloatArray:
    """Component of ``offset`` along ``axis``, positive the way the axis points (distally).

    Parameters
    ----------
    axis, offset : array_like, shape (..., 2)

    Returns
    -------
    ndarray, shape (...)
        In the unit of ``offset``; ``nan`` where the axis has no length.

    Examples
    --------
    >>> float(along([0.0, 5.0], [3.0, 7.0]))
    7.0
    """
    a = np.asarray(axis, dtype=np.float64)
    o = np.asarray(offset, dtype=np.float64)
    return (a[..., 0] * o[..., 0] + a[..., 1] * o[..., 1]) / nonzero(length(a))


def across(axis: npt.ArrayLike, offset: npt.ArrayLike) -> FloatArray:
    """Signed distance of ``offset`` from a line along ``axis`` through the origin; positive lateral of it.

    Arguments and result are as for :func:`along`.

    Examples
    --------
    >>> float(across([0.0, 5.0], [3.0, 7.0]))
    3.0
    """
    a = np.asarray(axis, dtype=np.float64)
    o = np.asarray(offset, dtype=np.float64)
    return (a[..., 1] * o[..., 0] - a[..., 0] * o[..., 1]) / nonzero(length(a))


def crossing(axis: npt.ArrayLike, offset: npt.ArrayLike, line: npt.ArrayLike) -> FloatArray:
    """Where along ``axis`` from the origin a line through ``offset`` in the direction ``line`` crosses it.

    Parameters
    ----------
    axis, offset, line : array_like, shape (..., 2)

    Returns
    -------
    ndarray, shape (...)
        In lengths of ``axis``; ``nan`` where the two are parallel.

    Examples
    --------
    >>> float(crossing([0.0, 10.0], [-20.0, 5.0], [40.0, 0.0]))
    0.5
    """
    a = np.asarray(axis, dtype=np.float64)
    o = np.asarray(offset, dtype=np.float64)
    t = np.asarray(line, dtype=np.float64)
    numerator = o[..., 1] * t[..., 0] - o[..., 0] * t[..., 1]
    return numerator / nonzero(a[..., 1] * t[..., 0] - a[..., 0] * t[..., 1])


def nonzero(value: FloatArray) -> FloatArray:
    """``value`` as a divisor: ``nan`` where it is nought.

    Examples
    --------
    >>> nonzero(np.array([2.0, 0.0])).tolist()
    [2.0, nan]
    """
    return np.where(value == 0.0, np.nan, value)

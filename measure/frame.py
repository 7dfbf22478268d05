"""From pixels of a film to the right-foot frame."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from raysplay.measure.geometry import FloatArray
from raysplay.measure.sides import SIDES


def to_foot_frame(
    points: npt.ArrayLike,
    covariance: npt.ArrayLike | None,
    side: Sequence[str] | npt.NDArray[np.str_],
    *,
    row_mm: npt.ArrayLike | None = None,
    column_mm: npt.ArrayLike | None = None,
    aspect: npt.ArrayLike = 1.0,
) -> tuple[FloatArray, FloatArray | None]:
    """Bring points of a film, and their covariance, into the right-foot frame.

    Rows and columns are scaled to one unit first (pixels need not be square), then y is turned upward and
    left feet are mirrored. After that lateral lies clockwise of distal on every foot, which is all that
    :func:`~raysplay.measure.geometry.ang` needs; the rotation of the foot on the film stays as it is, so +y
    is distal only where the film shows the toes up.

    Parameters
    ----------
    points : array_like, shape (N, L, 2)
        x (column) and y (row, downward), pixel centres at integers.
    covariance : array_like, shape (N, L, 2, 2) or (N, 2 L, 2 L), or None
        In square pixels. The larger form runs x0, y0, x1, y1, ... and carries correlation between landmarks.
    side : sequence of {'L', 'R'}, length N
        Side as the picture shows it: 'R' where a foot with its toes up has the great toe on the left. A
        film file that was mirrored therefore needs the side it shows, not the side of the patient.
    row_mm, column_mm : array_like, scalar or shape (N,), or None
        Distance between rows and between columns in mm, both or neither.
    aspect : array_like, scalar or shape (N,)
        ``row_mm / column_mm``; used only where the distances are not given.

    Returns
    -------
    points : ndarray, shape (N, L, 2)
        In mm, or in column widths where no distance was given.
    covariance : ndarray of the shape given, or None
        In the square of that unit.

    Raises
    ------
    ValueError
        If shapes do not fit, a side is not 'L' or 'R', or a distance is not positive and finite.

    Examples
    --------
    Two pixels up and one to the left on a left foot, with rows twice as far apart as columns:

    >>> points, _ = to_foot_frame([[[-1.0, -2.0]]], None, ["L"], aspect=2.0)
    >>> points.tolist()
    [[[1.0, 4.0]]]
    """
    points = np.asarray(points, dtype=np.float64)
    if points.ndim != 3 or points.shape[2] != 2:
        raise ValueError(f"points must have shape (N, L, 2), not {points.shape}")
    feet, landmarks, _ = points.shape
    if isinstance(side, str) or len(side) != feet:
        raise ValueError(f"side must name one side for each of the {feet} feet")
    unknown = {str(s) for s in side} - set(SIDES)
    if unknown:
        raise ValueError(f"side must be 'L' or 'R', not {', '.join(sorted(map(repr, unknown)))}")
    if (row_mm is None) != (column_mm is None):
        raise ValueError("row_mm and column_mm must be given together")
    if row_mm is None or column_mm is None:
        row, column = _distance("aspect", aspect, feet), np.ones(feet)
    else:
        row, column = _distance("row_mm", row_mm, feet), _distance("column_mm", column_mm, feet)
    mirror = np.array([-1.0 if s == "L" else 1.0 for s in side])
    scale = np.stack([mirror * column, -row], axis=-1)
    scaled = points * scale[:, None, :]
    if covariance is None:
        return scaled, None
    covariance = np.asarray(covariance, dtype=np.float64)
    if covariance.shape == (feet, landmarks, 2, 2):
        return scaled, covariance * (scale[:, :, None] * scale[:, None, :])[:, None]
    if covariance.shape == (feet, 2 * landmarks, 2 * landmarks):
        repeated = np.tile(scale, (1, landmarks))
        return scaled, covariance * repeated[:, :, None] * repeated[:, None, :]
    raise ValueError(
        f"covariance must have shape {(feet, landmarks, 2, 2)} or {(feet, 2 * landmarks, 2 * landmarks)},"
        f" not {covariance.shape}"
    )


def _distance(name: str, value: npt.ArrayLike, feet: int) -> FloatArray:
    given = np.asarray(value, dtype=np.float64)
    if given.shape not in ((), (feet,)):
        raise ValueError(f"{name} must be one number or one for each of the {feet} feet")
    if not np.all(np.isfinite(given) & (given > 0.0)):
        raise ValueError(f"{name} must be positive and finite")
    return np.broadcast_to(given, (feet,))

"""Measures of many feet at once, each with an interval from the landmarks' covariance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from raysplay.measure.axes import Landmarks
from raysplay.measure.definition import DEGREE, Measure
from raysplay.measure.geometry import FloatArray
from raysplay.measure.registry import MEASURES
from raysplay.measure.schema import LandmarkSchema

BoolArray = npt.NDArray[np.bool_]

_BLOCK = 8192
"""Feet worked on at a time, so that intermediate arrays stay in the processor's cache."""

_STEP = 1e-5
"""Step of the central difference as a part of the landmarks' extent; its error is near 1e-10."""

_SLACK = 1.0 + 1e-9
"""A covariance may miss being semidefinite by rounding."""


@dataclass(frozen=True)
class MeasureArray:
    """One measure over N feet; all four are ``nan`` for a foot whose measure is withheld.

    Attributes
    ----------
    value : ndarray, shape (N,)
    sd : ndarray, shape (N,)
        Standard deviation of the error of ``value``.
    low, high : ndarray, shape (N,)
        Ends of the interval.
    """

    value: FloatArray
    sd: FloatArray
    low: FloatArray
    high: FloatArray


def measure_values(
    points: npt.ArrayLike,
    schema: LandmarkSchema,
    *,
    visible: npt.ArrayLike | None = None,
    measures: Sequence[Measure] = MEASURES,
) -> dict[str, FloatArray]:
    """Values alone, for landmarks that are exact.

    Parameters
    ----------
    points : array_like, shape (N, L, 2)
        Right-foot frame, in schema order.
    schema : LandmarkSchema
        Names the landmark axis.
    visible : array_like of bool, shape (N, L), or None
        False withholds every measure that needs the landmark.
    measures : sequence of Measure

    Returns
    -------
    dict of str to ndarray, shape (N,)
        By name of the measure, in its unit; ``nan`` where a needed landmark is missing, not finite or not
        visible, or an axis has no length.

    Raises
    ------
    ValueError
        If shapes do not fit or the schema lacks a landmark that a measure needs.

    Examples
    --------
    >>> from raysplay.measure.registry import by_name
    >>> schema = LandmarkSchema(by_name("ima").landmarks, ("metatarsal_1",) * 4 + ("metatarsal_2",) * 4)
    >>> foot = [[-26, 10], [-14, 10], [-36, 20], [-24, 20], [-4, 20], [4, 20], [-4, 60], [4, 60]]
    >>> measure_values([foot], schema, measures=[by_name("ima")])["ima"].tolist()
    [45.0]
    """
    located, shown = _check_points(points, schema, visible)
    values = {}
    for measure in measures:
        index = _index(measure, schema)
        value = np.empty(len(located))
        for block in _blocks(len(located)):
            value[block] = measure.function(_landmarks(measure, _gather(located[block], shown[block], index)))
        values[measure.name] = value
    return values


def measure_feet(
    points: npt.ArrayLike,
    covariance: npt.ArrayLike,
    schema: LandmarkSchema,
    *,
    visible: npt.ArrayLike | None = None,
    level: float = 0.90,
    inflation: Mapping[str, float] | None = None,
    measures: Sequence[Measure] = MEASURES,
) -> dict[str, MeasureArray]:
    """Values with their intervals, by linear propagation of the landmarks' covariance.

    ``sd = inflation * sqrt(J C J^T)`` with the Jacobian J by central differences over the landmarks that the
    measure names; the interval is ``value -+ z * sd`` with the normal quantile of ``level``.

    Parameters
    ----------
    points : array_like, shape (N, L, 2)
        Right-foot frame, in schema order.
    covariance : array_like, shape (N, L, 2, 2) or (N, 2 L, 2 L)
        In the square of the points' unit. The first form takes landmarks as independent of each other; the
        second runs x0, y0, x1, y1, ... and carries their correlation.
    schema : LandmarkSchema
        Names the landmark axis.
    visible : array_like of bool, shape (N, L), or None
        False withholds every measure that needs the landmark.
    level : float
        Share of the truth that the interval shall hold, between 0 and 1.
    inflation : mapping of measure name to float, or None
        Factor on the standard deviation from calibration; 1 for a measure it does not name.
    measures : sequence of Measure

    Returns
    -------
    dict of str to MeasureArray
        By name of the measure, in its unit. All ``nan`` for a foot where a needed landmark is missing, not
        finite or not visible, an axis has no length, or a needed covariance is not one. Other feet are
        not touched.

    Raises
    ------
    ValueError
        If shapes do not fit, ``level`` or a factor is out of range, a factor names no measure, or the schema
        lacks a landmark that a measure needs.

    Examples
    --------
    Each cortex known to 0.5 mm; the first metatarsal's levels are 14 mm apart, the second's 40 mm:

    >>> import numpy as np
    >>> from raysplay.measure.registry import by_name
    >>> schema = LandmarkSchema(by_name("ima").landmarks, ("metatarsal_1",) * 4 + ("metatarsal_2",) * 4)
    >>> foot = [[-26, 10], [-14, 10], [-36, 20], [-24, 20], [-4, 20], [4, 20], [-4, 60], [4, 60]]
    >>> covariance = np.broadcast_to(0.5**2 * np.eye(2), (1, 8, 2, 2))
    >>> ima = measure_feet([foot], covariance, schema, measures=[by_name("ima")])["ima"]
    >>> [round(float(a[0]), 2) for a in (ima.value, ima.sd, ima.low, ima.high)]
    [45.0, 2.15, 41.47, 48.53]
    """
    located, shown = _check_points(points, schema, visible)
    spread = _check_covariance(covariance, *located.shape[:2])
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, not {level}")
    factors = dict(inflation or {})
    unknown = set(factors) - {measure.name for measure in measures}
    if unknown:
        raise ValueError(f"inflation names no measure: {', '.join(sorted(unknown))}")
    if any(not (np.isfinite(factor) and factor > 0.0) for factor in factors.values()):
        raise ValueError("inflation must be positive and finite")
    quantile = NormalDist().inv_cdf(0.5 + level / 2.0)
    result = {}
    for measure in measures:
        index = _index(measure, schema)
        value, sd = np.empty(len(located)), np.empty(len(located))
        for block in _blocks(len(located)):
            gathered = _gather(located[block], shown[block], index)
            value[block] = measure.function(_landmarks(measure, gathered))
            sd[block] = np.sqrt(_variance(_jacobian(measure, gathered), spread[block], index))
        sd *= factors.get(measure.name, 1.0)
        withheld = np.isnan(value) | np.isnan(sd)
        value[withheld] = np.nan
        sd[withheld] = np.nan
        half = quantile * sd
        result[measure.name] = MeasureArray(value, sd, value - half, value + half)
    return result


def _check_points(
    points: npt.ArrayLike, schema: LandmarkSchema, visible: npt.ArrayLike | None
) -> tuple[FloatArray, BoolArray]:
    located = np.asarray(points, dtype=np.float64)
    if located.ndim != 3 or located.shape[1:] != (len(schema), 2):
        raise ValueError(f"points must have shape (N, {len(schema)}, 2), not {located.shape}")
    if visible is None:
        return located, np.ones(located.shape[:2], dtype=np.bool_)
    shown = np.asarray(visible, dtype=np.bool_)
    if shown.shape != located.shape[:2]:
        raise ValueError(f"visible must have shape {located.shape[:2]}, not {shown.shape}")
    return located, shown


def _check_covariance(covariance: npt.ArrayLike, feet: int, landmarks: int) -> FloatArray:
    spread = np.asarray(covariance, dtype=np.float64)
    allowed = (feet, landmarks, 2, 2), (feet, 2 * landmarks, 2 * landmarks)
    if spread.shape not in allowed:
        raise ValueError(f"covariance must have shape {allowed[0]} or {allowed[1]}, not {spread.shape}")
    return spread


def _index(measure: Measure, schema: LandmarkSchema) -> list[int]:
    try:
        return [schema.index(code) for code in measure.landmarks]
    except KeyError as error:
        raise ValueError(f"{measure.name} needs landmark {error}, which the schema lacks") from error


def _blocks(feet: int) -> Iterator[slice]:
    return (slice(start, start + _BLOCK) for start in range(0, feet, _BLOCK))


def _gather(points: FloatArray, visible: BoolArray, index: list[int]) -> FloatArray:
    """Points of the named landmarks, shape (K, 2, N) for contiguous arithmetic; ``nan`` where missing."""
    gathered = np.ascontiguousarray(np.moveaxis(points[:, index], 0, -1))
    usable = np.isfinite(gathered).all(axis=1, keepdims=True) & visible[:, index].T[:, None]
    return np.where(usable, gathered, np.nan)


def _landmarks(measure: Measure, gathered: FloatArray) -> Landmarks:
    return {code: gathered[k].T for k, code in enumerate(measure.landmarks)}


def _jacobian(measure: Measure, gathered: FloatArray) -> FloatArray:
    """Derivative of the measure by each coordinate of its landmarks, shape (K, 2, N)."""
    step = _STEP * (gathered.max(axis=0) - gathered.min(axis=0)).max(axis=0)
    step[step == 0.0] = np.nan  # all landmarks in one place: no measure, so no derivative either
    landmarks = dict(_landmarks(measure, gathered))
    jacobian = np.empty_like(gathered)
    for k, code in enumerate(measure.landmarks):
        for coordinate in range(2):
            change = np.zeros(gathered.shape[1:])
            change[coordinate] = step
            landmarks[code] = (gathered[k] + change).T
            difference = measure.function(landmarks)
            landmarks[code] = (gathered[k] - change).T
            difference = difference - measure.function(landmarks)
            if measure.unit == DEGREE:
                difference = np.where(
                    np.abs(difference) > 180.0, difference - np.copysign(360.0, difference), difference
                )
            jacobian[k, coordinate] = difference / (2.0 * step)
        landmarks[code] = gathered[k].T
    return jacobian


def _variance(jacobian: FloatArray, spread: FloatArray, index: list[int]) -> FloatArray:
    """Variance of the measure, shape (N,); ``nan`` where a block of the covariance is not a covariance."""
    if spread.ndim == 4:
        own = spread[:, index]
        variance = np.einsum("kan,nkab,kbn->n", jacobian, own, jacobian)
    else:
        feet, landmarks = len(spread), spread.shape[1] // 2
        square = spread.reshape(feet, landmarks, 2, landmarks, 2)[:, index][:, :, :, index]
        own = np.einsum("nkakb->nkab", square)
        # Rigid motions of a bone cancel, which rounding may turn into a variance just below zero.
        size = np.einsum("kan,nkaqb,qbn->n", np.abs(jacobian), np.abs(square), np.abs(jacobian))
        variance = np.einsum("kan,nkaqb,qbn->n", jacobian, square, jacobian)
        variance = np.where((variance < 0.0) & (variance >= -1e-9 * size), 0.0, variance)
    xx, yy = own[..., 0, 0], own[..., 1, 1]
    xy = (own[..., 0, 1] + own[..., 1, 0]) / 2.0
    is_covariance = ((xx >= 0.0) & (yy >= 0.0) & (xy**2 <= _SLACK * xx * yy)).all(axis=1)
    return np.where(is_covariance & (variance >= 0.0) & np.isfinite(variance), variance, np.nan)

"""Measures of many feet at once, each with an interval from the landmarks' covariance.

All constructions are linear in the landmarks, so the covariance is carried to the measures' vectors first: axes that
measures share, and their covariances, are worked out once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from raysplay.measure.axes import Direction
from raysplay.measure.definition import DEGREE, MILLIMETRE, Measure
from raysplay.measure.geometry import FloatArray
from raysplay.measure.registry import MEASURES
from raysplay.measure.schema import LandmarkSchema

BoolArray = npt.NDArray[np.bool_]

_BLOCK = 4096
"""Feet worked on at a time, so that intermediate arrays stay in the processor's cache."""

_STEP = 1e-5
"""Step of the central difference as a part of the measure's longest vector; its error is near 1e-10."""

_SLACK = 1.0 + 1e-9
"""A covariance may miss being semidefinite by rounding."""


@dataclass(frozen=True)
class MeasureArray:
    """One measure over N feet; all four arrays are ``nan`` for a foot whose measure is withheld.

    Attributes
    ----------
    value : ndarray, shape (N,)
    sd : ndarray, shape (N,)
        Standard deviation of the error of ``value``, before it is clipped where the measure has bounds.
    low, high : ndarray, shape (N,)
        Ends of the interval.
    measure, unit, construction : str
        What the numbers are.
    """

    value: FloatArray
    sd: FloatArray
    low: FloatArray
    high: FloatArray
    measure: str = ""
    unit: str = ""
    construction: str = ""


def measure_values(
    points: npt.ArrayLike,
    schema: LandmarkSchema,
    *,
    visible: npt.ArrayLike | None = None,
    measures: Sequence[Measure] = MEASURES,
    millimetres: npt.ArrayLike = False,
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
    millimetres : array_like of bool, scalar or shape (N,)
        Whether the points are in millimetres that may be reported; False withholds lengths in mm, while ratios
        stay.

    Returns
    -------
    dict of str to ndarray, shape (N,)
        By name of the measure, in its unit; ``nan`` where a needed landmark is missing, not finite, not
        visible or not in the schema, or an axis has no length.

    Raises
    ------
    ValueError
        If shapes do not fit, or two measures share a name.

    Examples
    --------
    >>> from raysplay.measure.registry import by_name
    >>> schema = LandmarkSchema(by_name("ima").landmarks, ("metatarsal_1",) * 4 + ("metatarsal_2",) * 4)
    >>> foot = [[-26, 10], [-14, 10], [-36, 20], [-24, 20], [-4, 20], [4, 20], [-4, 60], [4, 60]]
    >>> measure_values([foot], schema, measures=[by_name("ima")])["ima"].tolist()
    [45.0]
    """
    located, shown = _check_points(points, schema, visible)
    _check_names(measures)
    in_mm = _check_millimetres(millimetres, len(located))
    codes = _known_codes(measures, schema)
    values = {measure.name: np.full(len(located), np.nan) for measure in measures}
    for block in _blocks(len(located)):
        feet = _Feet(located[block], shown[block], codes, schema)
        for measure in measures:
            if codes.issuperset(measure.landmarks):
                value = feet.value(measure)
                if measure.bounds is not None:
                    value = np.clip(value, *measure.bounds)
                values[measure.name][block] = value
    for measure in measures:
        if measure.unit == MILLIMETRE:
            values[measure.name][~in_mm] = np.nan
    return values


def measure_feet(
    points: npt.ArrayLike,
    covariance: npt.ArrayLike,
    schema: LandmarkSchema,
    *,
    visible: npt.ArrayLike | None = None,
    level: float = 0.90,
    inflation: Mapping[str, float] | None = None,
    shape_sd: Mapping[str, float] | None = None,
    measures: Sequence[Measure] = MEASURES,
    millimetres: npt.ArrayLike = False,
) -> dict[str, MeasureArray]:
    """Values with their intervals, by linear propagation of the landmarks' covariance.

    ``sd = sqrt(inflation^2 * J C J^T + shape_sd^2)``; J is exact for angles between two axes and by central differences
    for the rest. The interval is ``value -+ z * sd`` with the normal quantile of ``level``, clipped as the value is.

    Parameters
    ----------
    points : array_like, shape (N, L, 2)
        Right-foot frame, in schema order.
    covariance : array_like, shape (N, L, 2, 2) or (N, 2 L, 2 L)
        In the square of the points' unit. The first form takes landmarks as independent of each other; the
        second runs x0, y0, x1, y1, ... and carries their correlation (see
        :func:`~raysplay.measure.bone_correlation.bone_correlation`).
    schema : LandmarkSchema
        Names the landmark axis.
    visible : array_like of bool, shape (N, L), or None
        False withholds every measure that needs the landmark.
    level : float
        Share of the truth that the interval shall hold, between 0 and 1.
    inflation : mapping of measure name to float, or None
        Factor on the standard deviation from calibration; 1 for a measure it does not name.
    shape_sd : mapping of measure name to float, or None
        Standard deviation, in the measure's unit, of the error that comes with a bone's own shape and does not shrink
        however sure the landmarks are; 0 for a measure it does not name.
    measures : sequence of Measure
    millimetres : array_like of bool, scalar or shape (N,)
        As for :func:`measure_values`.

    Returns
    -------
    dict of str to MeasureArray
        By name of the measure, in its unit. All ``nan`` for a foot where a needed landmark is missing, not
        finite, not visible or not in the schema, an axis has no length, or a needed covariance is not one. Other
        feet are not touched. :func:`~raysplay.measure.withheld.why_withheld` says which it was.

    Raises
    ------
    ValueError
        If shapes do not fit, ``level``, a factor or a ``shape_sd`` is out of range, one names no measure, or two
        measures share a name.

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
    _check_names(measures)
    in_mm = _check_millimetres(millimetres, len(located))
    spread = _check_covariance(covariance, *located.shape[:2])
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, not {level}")
    factors = _checked_factors("inflation", inflation, measures)
    of_shape = _checked_factors("shape_sd", shape_sd, measures)
    codes = _known_codes(measures, schema)
    values = {measure.name: np.full(len(located), np.nan) for measure in measures}
    sds = {measure.name: np.full(len(located), np.nan) for measure in measures}
    for block in _blocks(len(located)):
        feet = _Feet(located[block], shown[block], codes, schema)
        spreads = _Spreads(feet, spread[block], schema)
        for measure in measures:
            if codes.issuperset(measure.landmarks):
                values[measure.name][block] = feet.value(measure)
                sds[measure.name][block] = np.sqrt(spreads.variance(measure, feet.gradient(measure)))
    quantile = NormalDist().inv_cdf(0.5 + level / 2.0)
    result = {}
    for measure in measures:
        sd = np.hypot(sds[measure.name] * factors.get(measure.name, 1.0), of_shape.get(measure.name, 0.0))
        given = in_mm if measure.unit == MILLIMETRE else np.ones_like(in_mm)
        result[measure.name] = _interval(measure, values[measure.name], sd, quantile, given)
    return result


def _interval(measure: Measure, value: FloatArray, sd: FloatArray, quantile: float, given: BoolArray) -> MeasureArray:
    """Value, deviation and ends of the interval (N,); ``nan`` where one is missing or the number is not ``given``."""
    withheld = np.isnan(value) | np.isnan(sd) | ~given
    value, sd = np.where(withheld, np.nan, value), np.where(withheld, np.nan, sd)
    half = quantile * sd
    low, high = value - half, value + half
    if measure.bounds is not None:
        value, low, high = (np.clip(a, *measure.bounds) for a in (value, low, high))
    return MeasureArray(value, sd, low, high, measure.name, measure.unit, measure.construction)


def _checked_factors(name: str, given: Mapping[str, float] | None, measures: Sequence[Measure]) -> dict[str, float]:
    """Positive numbers by measure; ``name`` is what an error calls them."""
    factors = dict(given or {})
    unknown = set(factors) - {measure.name for measure in (*MEASURES, *measures)}
    if unknown:
        raise ValueError(f"{name} names no measure: {', '.join(sorted(unknown))}")
    if any(not (np.isfinite(factor) and factor > 0.0) for factor in factors.values()):
        raise ValueError(f"{name} must be positive and finite")
    return factors


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


def _check_names(measures: Sequence[Measure]) -> None:
    names = [measure.name for measure in measures]
    if len(set(names)) != len(names):
        raise ValueError("two measures share a name: one construction of each in one call")


def _check_millimetres(millimetres: npt.ArrayLike, feet: int) -> BoolArray:
    given = np.asarray(millimetres, dtype=np.bool_)
    if given.shape not in ((), (feet,)):
        raise ValueError(f"millimetres must be one bool or one for each of the {feet} feet")
    return np.broadcast_to(given, (feet,))


def _check_covariance(covariance: npt.ArrayLike, feet: int, landmarks: int) -> FloatArray:
    spread = np.asarray(covariance, dtype=np.float64)
    allowed = (feet, landmarks, 2, 2), (feet, 2 * landmarks, 2 * landmarks)
    if spread.shape not in allowed:
        raise ValueError(f"covariance must have shape {allowed[0]} or {allowed[1]}, not {spread.shape}")
    return spread


def _known_codes(measures: Sequence[Measure], schema: LandmarkSchema) -> set[str]:
    wanted = {code for measure in measures for code in measure.landmarks}
    return wanted.intersection(schema.codes)


def _blocks(feet: int) -> Iterator[slice]:
    return (slice(start, min(start + _BLOCK, feet)) for start in range(0, feet, _BLOCK))


class _Feet:
    """Vectors and values of one block of feet; every vector is worked out once."""

    def __init__(self, points: FloatArray, visible: BoolArray, codes: set[str], schema: LandmarkSchema) -> None:
        self.codes = sorted(codes, key=schema.index)
        self.index = [schema.index(code) for code in self.codes]
        # Feet last, so that arithmetic runs over contiguous numbers.
        at = np.ascontiguousarray(points[:, self.index].transpose(1, 2, 0))
        unusable = ~np.isfinite(at).all(axis=1) | ~visible[:, self.index].T
        if unusable.any():
            at[np.broadcast_to(unusable[:, None], at.shape)] = np.nan
        self.landmarks = {code: at[k].T for k, code in enumerate(self.codes)}
        self._vectors: dict[Direction, FloatArray] = {}

    def vector(self, direction: Direction) -> FloatArray:
        """Shape (N, 2), contiguous over feet."""
        found = self._vectors.get(direction)
        if found is None:
            found = np.asfortranarray(direction.of(self.landmarks))
            self._vectors[direction] = found
        return found

    def value(self, measure: Measure) -> FloatArray:
        """Shape (N,), before it is clipped."""
        return measure.function(*(self.vector(direction) for direction in measure.vectors))

    def gradient(self, measure: Measure) -> Sequence[FloatArray]:
        """Derivative of the value by each vector, shape (2, N) each."""
        vectors = [self.vector(direction) for direction in measure.vectors]
        if measure.gradient is not None:
            return measure.gradient(*vectors)
        step = _STEP * np.max([np.abs(vector).max(axis=1) for vector in vectors], axis=0)
        step[step == 0.0] = np.nan  # all landmarks in one place: no measure, so no derivative either
        gradients = []
        for k, vector in enumerate(vectors):
            slope = np.empty((2, len(vector)))
            for coordinate in range(2):
                ends = []
                for sign in (1.0, -1.0):
                    moved = vector.copy(order="F")
                    moved[:, coordinate] += sign * step
                    ends.append(measure.function(*vectors[:k], moved, *vectors[k + 1 :]))
                difference = ends[0] - ends[1]
                if measure.unit == DEGREE:
                    difference -= 360.0 * np.round(difference / 360.0)
                slope[coordinate] = difference / (2.0 * step)
            gradients.append(slope)
        return gradients


class _Spreads:
    """Covariances of the vectors of one block of feet; each pair of vectors is worked out once."""

    def __init__(self, feet: _Feet, covariance: FloatArray, schema: LandmarkSchema) -> None:
        self._position = {code: k for k, code in enumerate(feet.codes)}
        self._full: FloatArray | None = None
        if covariance.ndim == 4:
            own = covariance[:, feet.index]
        else:
            landmarks = len(schema)
            blocks = covariance.reshape(len(covariance), landmarks, 2, landmarks, 2)
            square = blocks[:, feet.index][:, :, :, feet.index]
            own = np.einsum("nkakb->nkab", square)
            self._full = np.ascontiguousarray(square.transpose(1, 3, 2, 4, 0))
        xx, yy = own[..., 0, 0].T, own[..., 1, 1].T
        xy = ((own[..., 0, 1] + own[..., 1, 0]) / 2.0).T
        self._own = np.stack([xx, xy, yy], axis=1)
        is_covariance = (xx >= 0.0) & (yy >= 0.0) & (xy**2 <= _SLACK * xx * yy)
        self._bad: BoolArray | None = None if is_covariance.all() else ~is_covariance
        self._pairs: dict[tuple[Direction, Direction], FloatArray | None] = {}

    def variance(self, measure: Measure, gradient: Sequence[FloatArray]) -> FloatArray:
        """Variance of the measure, shape (N,); ``nan`` where a covariance it needs is not one."""
        total = np.zeros(gradient[0].shape[1])
        for i, first in enumerate(measure.vectors):
            for j in range(i, len(measure.vectors)):
                pair = self._pair(first, measure.vectors[j])
                if pair is not None:
                    left, right = gradient[i], gradient[j]
                    part = (
                        left[0] * (pair[0] * right[0] + pair[1] * right[1])
                        + left[1] * (pair[2] * right[0] + pair[3] * right[1])
                    )  # fmt: skip
                    total += part if i == j else 2.0 * part
        if (total < 0.0).any():
            # Rigid motions of a bone cancel, which rounding may turn into a variance just below zero.
            size = self._size(measure, gradient)
            total = np.where((total < 0.0) & (total >= -1e-9 * size), 0.0, total)
        usable = (total >= 0.0) & np.isfinite(total)
        if self._bad is not None:
            usable &= ~self._bad[[self._position[code] for code in measure.landmarks]].any(axis=0)
        return total if usable.all() else np.where(usable, total, np.nan)

    def _pair(self, first: Direction, second: Direction) -> FloatArray | None:
        """Covariance of two vectors as xx, xy, yx, yy, shape (4, N); None where they share no error."""
        key = (first, second)
        if key not in self._pairs:
            self._pairs[key] = self._work_out(first, second)
        return self._pairs[key]

    def _work_out(self, first: Direction, second: Direction) -> FloatArray | None:
        total: FloatArray | None = None
        if self._full is None:
            of_second = dict(second.weights)
            for code, weight in first.weights:
                if code in of_second:
                    part = (weight * of_second[code]) * self._own[self._position[code]]
                    total = part if total is None else total + part
            return None if total is None else total[[0, 1, 1, 2]]
        for code, weight in first.weights:
            for other, other_weight in second.weights:
                block = self._full[self._position[code], self._position[other]].reshape(4, -1)
                part = (weight * other_weight) * block
                total = part if total is None else total + part
        return total

    def _size(self, measure: Measure, gradient: Sequence[FloatArray]) -> FloatArray:
        """Bound on the terms that the variance is a sum of."""
        total = np.zeros(gradient[0].shape[1])
        for direction, slope in zip(measure.vectors, gradient, strict=True):
            for code, weight in direction.weights:
                xx, _, yy = self._own[self._position[code]]
                total += np.abs(slope).sum(axis=0) * abs(weight) * np.sqrt(np.maximum(xx, yy))
        return total**2

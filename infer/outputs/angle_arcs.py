"""Where the arc of an angle is drawn: wide enough to be seen, near the bones, off points and other lines."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.infer.outputs.axis_lines import AxisLine, axis_lines, crossing
from raysplay.infer.records import FloatArray, Measurement
from raysplay.measure import by_name
from raysplay.measure.axes import AXIS
from raysplay.measure.schema import LandmarkSchema

BoolArray = npt.NDArray[np.bool_]

_BEYOND = {False: 0.5, True: 0.08}
"""An axis is drawn beyond its two points by this part of their distance: to 10 and 90 % of a shaft marked at 30 and
70 %; just beyond a bone whose ends are marked."""
_NARROW, _GOOD, _WIDE = 30.0, 80.0, 150.0
"""Chord of an arc, in pixels of the picture, below which an opening is hard to see, up to which wider is better, above
which it is a detour."""
_SMALL = 24.0
"""Chord below which the arc runs on to both sides, with heads that point at the two lines."""
_POINTS = 17
"""Points of an arc."""
_CLEAR, _APART = 12.0, 30.0
"""Distance wanted between an arc and a point, and between two arcs."""


@dataclass(frozen=True)
class DrawnAxis:
    """An axis with its ends as drawn, shape (2, 2), proximal first, and the tag that names it in the picture."""

    axis: AxisLine
    ends: FloatArray
    tag: str


@dataclass(frozen=True)
class AngleArc:
    """Arc of one measure.

    Attributes
    ----------
    measurement : Measurement
    points : ndarray, shape (N, 2)
        From the first axis to the second.
    extensions : tuple of (str, ndarray of shape (2, 2))
        Where an axis must run on to meet the arc: its bone, and the line from its drawn end to there.
    small : bool
        Too narrow to be seen without a hint.
    centre : ndarray of shape (2,) or None
        Where the lines cross; None where they are parallel.
    """

    measurement: Measurement
    points: FloatArray
    extensions: tuple[tuple[str, FloatArray], ...]
    small: bool
    centre: FloatArray | None


def drawn_axes(measurements: Iterable[Measurement], schema: LandmarkSchema, shown: FloatArray) -> list[DrawnAxis]:
    """Axes of the measures that have an arc, each once; a bone may have several, by different constructions.

    Parameters
    ----------
    measurements : iterable of Measurement
    schema : LandmarkSchema
    shown : ndarray, shape (L, 2)
        Landmarks in pixels of the picture; ``nan`` where not placed.

    Returns
    -------
    list of DrawnAxis
        In the order in which the measures need them, in pixels of the picture. The tag is the bone, with the
        construction behind it where the bone has several axes.
    """
    found: dict[tuple[str, bytes, bytes], tuple[AxisLine, str]] = {}
    for one in measurements:
        for axis in _pair(one, schema, shown):
            found.setdefault((axis.bone, axis.proximal.tobytes(), axis.distal.tobytes()), (axis, one.construction))
    bones = [bone for bone, _, _ in found]
    drawn = []
    for axis, construction in found.values():
        beyond = _BEYOND[axis.whole] * axis.length * axis.direction
        tag = axis.bone if bones.count(axis.bone) == 1 else f"{axis.bone} {construction}"
        drawn.append(DrawnAxis(axis, np.stack([axis.proximal - beyond, axis.distal + beyond]), tag))
    return drawn


def angle_arcs(
    measurements: Iterable[Measurement],
    schema: LandmarkSchema,
    shown: FloatArray,
    axes: Sequence[DrawnAxis],
    avoid: FloatArray,
    size: tuple[int, int],
) -> list[AngleArc]:
    """Arcs of the measures that have a value and lie between two axes.

    Parameters
    ----------
    measurements : iterable of Measurement
    schema : LandmarkSchema
    shown : ndarray, shape (L, 2)
        Landmarks in pixels of the picture; ``nan`` where not placed.
    axes : sequence of DrawnAxis
        Of the same measures (:func:`drawn_axes`).
    avoid : ndarray, shape (P, 2)
        Points that an arc should not run over.
    size : (int, int)
        Width and height of the picture.

    Returns
    -------
    list of AngleArc
        In the order of the measures; one that is withheld, or is no angle between two axes, has none.
    """
    arcs: list[AngleArc] = []
    for one in measurements:
        pair = _pair(one, schema, shown)
        if len(pair) == 2:
            arcs.append(_best(one, pair[0], pair[1], axes, arcs, avoid, size))
    return arcs


def interval_band(arc: AngleArc) -> FloatArray | None:
    """The part of an arc's circle, shape (N, 2), in which the second axis lies while the angle is within its interval.

    None where the lines are parallel, or the interval has no ends.
    """
    one = arc.measurement
    if arc.centre is None or not np.isfinite([one.low, one.high]).all():
        return None
    first, last = arc.points[0] - arc.centre, arc.points[-1] - arc.centre
    larger = np.copysign(1.0, first[0] * last[1] - first[1] * last[0]) * np.copysign(1.0, one.value)
    turns = larger * np.radians(np.linspace(one.low, one.high, _POINTS) - one.value)
    cosine, sine = np.cos(turns), np.sin(turns)
    turned = np.stack([cosine * last[0] - sine * last[1], sine * last[0] + cosine * last[1]], axis=-1)
    band: FloatArray = arc.centre + turned
    return band


def bounded(axes: Collection[DrawnAxis], axis: AxisLine) -> DrawnAxis:
    """The drawn axis that is this one."""
    return next(
        drawn
        for drawn in axes
        if drawn.axis.bone == axis.bone
        and np.array_equal(drawn.axis.proximal, axis.proximal)
        and np.array_equal(drawn.axis.distal, axis.distal)
    )


def _pair(one: Measurement, schema: LandmarkSchema, shown: FloatArray) -> list[AxisLine]:
    """The two axes that a measure is the angle of; empty for any other measure, without a value, or without their ends.

    An intermetatarsal angle that is adjusted by another angle stands on two axes, too, but is not what lies between.
    """
    measure = by_name(one.measure, one.construction)
    if not np.isfinite(one.value) or [vector.role for vector in measure.vectors] != [AXIS, AXIS]:
        return []
    lines = axis_lines(measure, schema, shown)
    # A comparison with nan is false: ends that are missing, or that lie on each other, give no line to draw.
    return lines if all(line.length > 1.0 for line in lines) else []


def _best(
    one: Measurement,
    first: AxisLine,
    second: AxisLine,
    axes: Sequence[DrawnAxis],
    arcs: Sequence[AngleArc],
    avoid: FloatArray,
    size: tuple[int, int],
) -> AngleArc:
    """The arc at the place along the second axis that costs least."""
    drawn = [bounded(axes, axis) for axis in (first, second)]
    others = [other.ends for other in axes if not any(other is own for own in drawn)]
    centre = crossing(first, second)
    low, high = (float((end - second.proximal) @ second.direction) for end in drawn[1].ends)
    along = np.linspace(low - 80.0, high + 220.0, 64)
    at = second.proximal + along[:, None] * second.direction
    points = _arcs(first, at, centre)
    ends = points[:, [0, -1]]
    reached = [_reached(axis, ends[:, i]) for i, axis in enumerate(drawn)]
    chord = np.linalg.norm(ends[:, 1] - ends[:, 0], axis=-1)
    cost = _far(reached, along, low, high) + _ill_sized(chord, points, size)
    # Run on toward the heel, an axis lies over the bone that it is compared with.
    cost += 0.8 * (along < low)
    cost += _in_the_way(points, reached, avoid, others, arcs)
    if centre is not None:
        cost += 50.0 * (np.linalg.norm(at - centre, axis=-1) < 20.0)
    best = int(cost.argmin())
    extensions = tuple(
        (axis.axis.bone, line[best])
        for axis, line in zip(drawn, reached, strict=True)
        if (line[best, 0] != line[best, 1]).any()
    )
    return AngleArc(one, points[best], extensions, bool(chord[best] < _SMALL), centre)


def _far(reached: Sequence[FloatArray], along: FloatArray, low: float, high: float) -> FloatArray:
    """Cost (K,) of how far the axes run on to an arc, and of its distance from the middle of the second axis."""
    reach = sum((np.linalg.norm(line[:, 1] - line[:, 0], axis=-1) for line in reached), np.zeros(len(along)))
    cost: FloatArray = 0.008 * reach + 0.002 * np.abs(along - (low + high) / 2.0)
    return cost


def _ill_sized(chord: FloatArray, points: FloatArray, size: tuple[int, int]) -> FloatArray:
    """Cost (K,) of arcs (K, N, 2) too narrow to be seen, wider than is of use, or not wholly in the picture."""
    narrow, good, wide = chord / _NARROW, chord / _GOOD, chord / _WIDE
    outside = ((points < 4.0) | (points > np.asarray(size, dtype=float) - 4.0)).any(axis=(1, 2))
    cost: FloatArray = 4.0 * np.maximum(0.0, 1.0 - narrow) + 1.2 * np.maximum(0.0, 1.0 - good)
    return cost + 0.8 * np.maximum(0.0, wide - 1.0) + 20.0 * outside


def _in_the_way(
    points: FloatArray,
    reached: Sequence[FloatArray],
    avoid: FloatArray,
    others: Sequence[FloatArray],
    arcs: Sequence[AngleArc],
) -> FloatArray:
    """Cost (K,) of arcs (K, N, 2) that run over points, over other axes, or close to arcs that have their place."""
    cost: FloatArray = 1.2 * (_distances(avoid, points) < _CLEAR).sum(axis=1)
    cost += sum(1.5 * _crosses(line, points) for line in others)
    for arc in arcs:
        apart = _distances(arc.points, points).min(axis=1)
        cost += 1.0 * (apart < _APART)
        meet = apart < _CLEAR
        for _, line in arc.extensions:
            meet |= _crosses(line, points)
        for line in reached:
            meet |= segments_cross(line[:, None, 0], line[:, None, 1], arc.points[:-1], arc.points[1:]).any(axis=1)
        cost += 2.0 * meet
    return cost


def _arcs(first: AxisLine, at: FloatArray, centre: FloatArray | None) -> FloatArray:
    """Arcs (K, N, 2) from the first line to places (K, 2) on the second, about where the lines cross; straight where
    they do not."""
    part = np.linspace(0.0, 1.0, _POINTS)[:, None]
    if centre is None:
        foot = first.proximal + ((at - first.proximal) @ first.direction)[:, None] * first.direction
        straight: FloatArray = foot[:, None] + part * (at - foot)[:, None]
        return straight
    radius = np.maximum(np.linalg.norm(at - centre, axis=-1), 1e-9)
    towards = (at - centre) / radius[:, None]
    end = np.arctan2(towards[:, 1], towards[:, 0])
    # The first line's direction from the centre is the one that lies nearer to the second's.
    ahead = np.where((towards @ first.direction) >= 0.0, 1.0, -1.0)
    turn = (np.arctan2(ahead * first.direction[1], ahead * first.direction[0]) - end + np.pi) % (2.0 * np.pi) - np.pi
    angles = end[:, None] + turn[:, None] * (1.0 - part[:, 0])
    arcs: FloatArray = centre + radius[:, None, None] * np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    return arcs


def _reached(drawn: DrawnAxis, at: FloatArray) -> FloatArray:
    """Lines (K, 2, 2) from an axis's end to places (K, 2) on it beyond; without length where the place lies within."""
    low, high = ((end - drawn.axis.proximal) @ drawn.axis.direction for end in drawn.ends)
    along = (at - drawn.axis.proximal) @ drawn.axis.direction
    start = np.where((along > high)[:, None], drawn.ends[1], np.where((along < low)[:, None], drawn.ends[0], at))
    return np.stack([start, at], axis=1)


def _distances(points: FloatArray, lines: FloatArray) -> FloatArray:
    """From points (P, 2) to the nearest of the points of each line (K, N, 2), shape (K, P)."""
    apart = points[:, None] - lines[:, None]
    nearest: FloatArray = np.sqrt((apart**2).sum(axis=-1)).min(axis=-1) if len(points) else np.zeros((len(lines), 0))
    return nearest


def _crosses(line: FloatArray, curves: FloatArray) -> BoolArray:
    """Whether a straight line (2, 2) and curves (K, N, 2) meet."""
    return np.asarray(segments_cross(line[0], line[1], curves[:, :-1], curves[:, 1:]).any(axis=1))


def segments_cross(a: FloatArray, b: FloatArray, c: FloatArray, d: FloatArray) -> BoolArray:
    """Whether segments a to b and c to d meet: by the sides on which their ends lie.

    Parameters
    ----------
    a, b, c, d : ndarray, shape (..., 2)
        The ends, of shapes that broadcast together.

    Returns
    -------
    ndarray of bool, shape (...)
        To touch is to meet; segments of one line count as meeting, however far apart.
    """

    def side(p: FloatArray, q: FloatArray, r: FloatArray) -> FloatArray:
        turned: FloatArray = (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (
            r[..., 0] - p[..., 0]
        )
        return turned

    meet: BoolArray = (side(a, b, c) * side(a, b, d) <= 0) & (side(c, d, a) * side(c, d, b) <= 0)
    return meet

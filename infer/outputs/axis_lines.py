"""The axes a measure stands on, as lines on the film."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from raysplay.infer.records import FloatArray
from raysplay.measure import Measure
from raysplay.measure.axes import AXIS, SHAFT_LEVELS
from raysplay.measure.schema import LandmarkSchema


@dataclass(frozen=True)
class AxisLine:
    """Proximal and distal point of a bone's axis, shape (2,) each, in the frame of the points given.

    ``bone`` is the prefix of its landmarks, ``name`` the axis in words; ``whole`` where the points are the ends of the
    bone, not levels of its shaft.
    """

    bone: str
    proximal: FloatArray
    distal: FloatArray
    name: str = ""
    whole: bool = False

    @property
    def middle(self) -> FloatArray:
        """Midway between the two points, shape (2,)."""
        return (self.proximal + self.distal) / 2.0

    @property
    def length(self) -> float:
        """Distance of the two points, in their unit."""
        return float(np.linalg.norm(self.distal - self.proximal))

    @property
    def direction(self) -> FloatArray:
        """Unit vector, shape (2,), pointing distally; nought where the points coincide."""
        return (self.distal - self.proximal) / max(self.length, 1e-9)


def axis_lines(measure: Measure, schema: LandmarkSchema, points: FloatArray) -> list[AxisLine]:
    """Axes of a measure in the order in which its landmarks name them.

    Parameters
    ----------
    measure : Measure
    schema : LandmarkSchema
    points : ndarray, shape (L, 2)
        Any affine image of the foot: midpoints stay midpoints.

    Returns
    -------
    list of AxisLine
        In the frame of the points, ``nan`` where one is not placed; empty for a measure without axes.
    """
    at = {code: points[schema.index(code)] for code in measure.landmarks}
    return [
        AxisLine(
            bone_of(vector.landmarks[0]),
            vector.start.of(at),
            vector.end.of(at),
            vector.name,
            not vector.landmarks[0].startswith(SHAFT_LEVELS),
        )
        for vector in measure.vectors
        if vector.role == AXIS
    ]


def bone_of(code: str) -> str:
    """Prefix of a landmark's bone, the proximal phalanx of the great toe being PP."""
    found = re.match(r"M\d|PP\d?|DP|C2", code)
    return found[0] if found else code


def crossing(first: AxisLine, second: AxisLine) -> FloatArray | None:
    """Where the two lines meet, in the frame of their points.

    Returns
    -------
    ndarray, shape (2,), or None
        None where they are nearly parallel (half a degree), so that the point says nothing.
    """
    across = np.stack([first.direction, -second.direction], axis=1)
    if abs(np.linalg.det(across)) < np.sin(np.radians(0.5)):
        return None
    along = np.linalg.solve(across, second.proximal - first.proximal)
    meeting: FloatArray = first.proximal + along[0] * first.direction
    return meeting

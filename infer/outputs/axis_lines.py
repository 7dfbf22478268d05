"""The axes a measure stands on, as lines on the film."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from raysplay.infer.records import FloatArray
from raysplay.measure import Measure
from raysplay.measure.axes import DISTAL_PHALANX
from raysplay.measure.schema import LandmarkSchema

_CORTEX = re.compile(r"(?P<bone>\w+?)[pd]_(?:med|lat)")


@dataclass(frozen=True)
class AxisLine:
    """Proximal and distal point of a bone's axis, shape (2,) each, in the frame of the points given."""

    bone: str
    proximal: FloatArray
    distal: FloatArray

    @property
    def middle(self) -> FloatArray:
        return (self.proximal + self.distal) / 2.0

    @property
    def length(self) -> float:
        return float(np.linalg.norm(self.distal - self.proximal))

    @property
    def direction(self) -> FloatArray:
        return (self.distal - self.proximal) / max(self.length, 1e-9)


def axis_lines(measure: Measure, schema: LandmarkSchema, points: FloatArray) -> list[AxisLine]:
    """Axes of a measure in the order in which its landmarks name them.

    Parameters
    ----------
    points : ndarray, shape (L, 2)
        Any affine image of the foot: midpoints stay midpoints.
    """
    at = {code: points[schema.index(code)] for code in measure.landmarks}
    lines = []
    for bone in dict.fromkeys(m["bone"] for code in at if (m := _CORTEX.fullmatch(code))):
        proximal, distal = (
            (at[f"{bone}{level}_med"] + at[f"{bone}{level}_lat"]) / 2.0 for level in "pd" if f"{bone}{level}_med" in at
        )
        lines.append(AxisLine(bone, proximal, distal))
    if set(DISTAL_PHALANX) <= set(at):
        lines.append(AxisLine("DP", at[DISTAL_PHALANX[0]], at[DISTAL_PHALANX[1]]))
    return lines


def crossing(first: AxisLine, second: AxisLine) -> FloatArray | None:
    """Where the two lines meet; ``None`` where they are so parallel that the point says nothing."""
    across = np.stack([first.direction, -second.direction], axis=1)
    if abs(np.linalg.det(across)) < np.sin(np.radians(0.5)):
        return None
    along = np.linalg.solve(across, second.proximal - first.proximal)
    meeting: FloatArray = first.proximal + along[0] * first.direction
    return meeting

"""Toes that lie over each other on the film."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from raysplay.synthetic_data.anatomy.person import Person
from raysplay.synthetic_data.anatomy.pose import PosedFoot
from raysplay.synthetic_data.anatomy.rest import FINE, bone_index
from raysplay.synthetic_data.projection.beam import Beam

FloatArray = npt.NDArray[np.float64]

GREAT = ("proximal_phalanx_1", "distal_phalanx_1")
SECOND = ("proximal_phalanx_2", "middle_phalanx_2", "distal_phalanx_2")

HEAVY = 0.4
"""Share of the great or of the second proximal phalanx under the other toe from which toes count as crossed (proposed
here)."""

ACROSS = np.linspace(-0.9, 0.9, 5)
ALONG = np.linspace(0.05, 0.95, 10)


def crossed_share(person: Person, foot: PosedFoot, beam: Beam) -> float:
    """Share of the proximal phalanx of the first or the second toe that lies over the bones of the other on the film.

    Bones count as flat strips of their own width, so this costs next to nothing; the larger share of the area is given.
    """
    focus = np.array(beam.focus)
    shapes = person.shapes

    def strip(name: str) -> tuple[FloatArray, FloatArray, float]:
        """Both ends on the detector (2, 2), half widths at the stations, and the length there."""
        n = bone_index(name)
        ends = foot.origin[n] + foot.frame[n][:, 1] * np.array([[0.0], [1.0]]) * shapes["length"][n]
        closeness = (focus[2] + beam.gap) / (focus[2] - ends[:, 2])
        place = focus[:2] + (ends[:, :2] - focus[:2]) * closeness[:, None]
        half = 0.5 * shapes["width"][n, np.rint(ALONG * (FINE - 1)).astype(int)] * closeness.mean()
        return place, half.astype(float), float(np.linalg.norm(place[1] - place[0])) + 1e-6

    def covered(name: str, others: tuple[str, ...]) -> float:
        (start, end), half, length = strip(name)
        axis = (end - start) / length
        side = np.array([axis[1], -axis[0]])
        points = start + (ALONG * length)[:, None, None] * axis + (half[:, None] * ACROSS)[..., None] * side
        hidden = np.zeros(points.shape[:2], bool)
        for other in others:
            if not foot.present[bone_index(other)]:
                continue
            (first, last), width, reach = strip(other)
            way = (last - first) / reach
            along = (points - first) @ way / reach
            across = np.abs((points - first) @ np.array([way[1], -way[0]]))
            hidden |= (along > 0) & (along < 1) & (across < np.interp(along, ALONG, width))
        return float(np.average(hidden.mean(axis=1), weights=half))

    pairs = ((GREAT[0], SECOND), (SECOND[0], GREAT))
    return max((covered(name, others) for name, others in pairs if foot.present[bone_index(name)]), default=0.0)

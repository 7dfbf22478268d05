"""What a deformity does to the shape of bones: a joint surface that faces aside, bone where the shoe rubs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raysplay.synthetic_data.anatomy.person import EMINENCE, FloatArray, Person
from raysplay.synthetic_data.anatomy.pose import cuneiform_bearing
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.anatomy.rest import bone_index


def steepest(shapes: dict[str, FloatArray], bone: int) -> tuple[float, float]:
    """Tilts of a bone's ends beyond which the last fifth of it would fold, in radians."""
    limit = float(np.arctan(0.36 * shapes["length"][bone] / shapes["width"][bone, [2, -3]].max()))
    return -limit, limit


def remodel(person: Person, posture: Posture) -> Person:
    """The same person with the first and fifth metatarsal heads that go with the posture."""
    first, fifth = bone_index("metatarsal_1"), bone_index("metatarsal_5")
    toe, last = bone_index("proximal_phalanx_1"), bone_index("distal_phalanx_1")
    shapes = {**person.shapes, "caps": person.shapes["caps"].copy(), "bumps": person.shapes["bumps"].copy()}
    caps = shapes["caps"]
    caps[first, :, 4] = np.radians([-posture.base_tilt, posture.joint_tilt])
    # The joint within the great toe is parallel, so that what its head does not bend the last phalanx does.
    caps[toe, :, 4] = np.radians([posture.phalanx_tilt, posture.toe_head_tilt])
    caps[last, 0, 4] = np.radians(posture.hia - posture.toe_head_tilt)
    wedge = bone_index("medial_cuneiform")
    caps[wedge, 1, 4] = np.radians(-posture.cuneiform_facing - cuneiform_bearing(posture))
    for bone in (toe, last, wedge):
        caps[bone, :, 4] = np.clip(caps[bone, :, 4], *steepest(shapes, bone))
    bumps = shapes["bumps"]
    bumps[first, EMINENCE, 4] = min(5.0, bumps[first, EMINENCE, 4] + posture.eminence * person.size)
    bumps[fifth, EMINENCE] = 0.88, 0.0, 0.06, np.radians(32), posture.fifth_eminence * person.size
    return replace(person, shapes=shapes)

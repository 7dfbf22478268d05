"""What a deformity does to the shape of bones: a joint surface that faces aside, bone where the shoe rubs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raysplay.synthetic_data.anatomy.person import EMINENCE, Person
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.anatomy.rest import bone_index


def remodel(person: Person, posture: Posture) -> Person:
    """The same person with the first and fifth metatarsal heads that go with the posture."""
    first, fifth = bone_index("metatarsal_1"), bone_index("metatarsal_5")
    shapes = {**person.shapes, "caps": person.shapes["caps"].copy(), "bumps": person.shapes["bumps"].copy()}
    shapes["caps"][first, 1, 4] = np.radians(posture.joint_tilt)
    bumps = shapes["bumps"]
    bumps[first, EMINENCE, 4] = min(5.0, bumps[first, EMINENCE, 4] + posture.eminence * person.size)
    bumps[fifth, EMINENCE] = 0.88, 0.0, 0.06, np.radians(32), posture.fifth_eminence * person.size
    return replace(person, shapes=shapes)

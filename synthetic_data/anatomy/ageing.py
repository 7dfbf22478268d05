"""What age does to joints: lost cartilage with a white rim of bone beneath it, and bone growing at the margins."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raysplay.synthetic_data.anatomy.person import BUMPS, Person
from raysplay.synthetic_data.anatomy.rest import bone_index
from raysplay.synthetic_data.settings import PersonSettings

JOINTS = (
    ("metatarsal_1", "proximal_phalanx_1"),
    ("medial_cuneiform", "metatarsal_1"),
    ("proximal_phalanx_1", "distal_phalanx_1"),
    ("metatarsal_2", "proximal_phalanx_2"),
    ("metatarsal_3", "proximal_phalanx_3"),
    ("metatarsal_5", "proximal_phalanx_5"),
    ("proximal_phalanx_2", "middle_phalanx_2"),
    ("proximal_phalanx_3", "middle_phalanx_3"),
)
"""Proximal and distal bone of the joints that wear out; the first two also grow osteophytes most often."""

SIDES = (0.0, 180.0)
"""Directions of the margins that a dorsoplantar film shows, degrees from lateral through dorsal."""


def age_joints(rng: np.random.Generator, person: Person, settings: PersonSettings) -> Person:
    """Wear some joints of a person. Shares are this project's choice, no source."""
    worn = [rng.random() < settings.worn_joint * (2.0 if k < 2 else 0.7) for k in range(len(JOINTS))]
    if not any(worn):
        return person
    space, shapes = person.joint_space.copy(), {k: v.copy() for k, v in person.shapes.items()}
    for (proximal, distal), is_worn in zip(JOINTS, worn, strict=True):
        if not is_worn:
            continue
        near, far = bone_index(proximal), bone_index(distal)
        space[far] *= rng.uniform(0.0, 0.5)
        shapes["cortex"][[near, far], 1] += rng.uniform(0.1, 1.1)
        if rng.random() < settings.osteophytes:
            _osteophytes(rng, shapes["bumps"][near], rng.uniform(0.9, 0.97), person.size)
            _osteophytes(rng, shapes["bumps"][far], rng.uniform(0.02, 0.08), person.size)
    return replace(person, joint_space=space, shapes=shapes)


def _osteophytes(rng: np.random.Generator, bumps: np.ndarray, at: float, size: float) -> None:
    """Lips at both sides of a joint surface, in the places of ``bumps`` (K, 5) kept for them."""
    for slot, side in zip((BUMPS - 3, BUMPS - 2), SIDES, strict=True):
        angle = np.radians(side + rng.normal(0, 20))
        spread = np.radians(rng.uniform(12, 30))
        bumps[slot] = at, angle, rng.uniform(0.015, 0.04), spread, size * rng.uniform(0.3, 3.0)

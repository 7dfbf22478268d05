"""Feet of children: smaller, with open growth plates and bones that are not bone yet to their rims.

Where plates lie is common knowledge of anatomy: at the base of the first metatarsal and of all phalanges, at the
head of metatarsals two to five. Ages at which centres of bone appear and how wide plates are: from memory.
"""

from __future__ import annotations

import numpy as np

from raysplay.synthetic_data.anatomy.loft import PLATE_ROUNDING
from raysplay.synthetic_data.anatomy.person import METATARSALS, MIDFOOT, FloatArray, Person, shrink
from raysplay.synthetic_data.anatomy.rest import bone_index, bone_names

AGES = (2.0, 15.0)
"""Years between which a foot is drawn as a child's."""

APPEARS = {
    "navicular": 2.8,
    "intermediate_cuneiform": 2.3,
    "medial_cuneiform": 1.5,
    "medial_sesamoid": 9.5,
    "lateral_sesamoid": 9.5,
}
"""Age in years at which a bone begins to show."""

ROUND = (*MIDFOOT, "talus", "calcaneus")
"""Bones that grow from a round centre, without a plate that a dorsoplantar film shows."""


def grow(rng: np.random.Generator, person: Person) -> Person:
    """The foot of a child of 2 to 15 years in the place of that of an adult.

    Parameters
    ----------
    rng : numpy.random.Generator
        Drawn from bone by bone in the order of the rest table.
    person : Person
        An adult; not changed.

    Returns
    -------
    Person
        Smaller, with growth plates in ``shapes["plate"]`` and without the bones that do not show yet.
    """
    age = float(rng.uniform(*AGES))
    scale = np.interp(age, [2, 6, 11, 15], [0.5, 0.68, 0.87, 0.95]) * rng.normal(1, 0.03)
    shapes = _small_shapes(person, age, scale)
    present, place = person.present.copy(), person.place.copy()

    # How much of an epiphysis is bone; the smallest toes lag behind.
    grown = float(np.clip(np.interp(age, [2, 5, 9, 13], [0.45, 0.7, 0.9, 1.0]) + rng.normal(0, 0.06), 0.3, 1.0))
    gap = np.interp(age, [2, 8, 15], [2.2, 1.6, 0.8]) * rng.uniform(0.8, 1.25)
    for n, name in enumerate(bone_names()):
        if name in METATARSALS or "phalanx" in name:
            _open_plate(rng, shapes, name, age, scale, grown, gap)
        elif name in ROUND:
            if not _rounded(shapes, place, name, age):
                present[n] = False
        elif name in APPEARS:
            since = age - APPEARS[name] - rng.normal(0, 1.0)
            if since <= 0:
                present[n] = False
            else:
                for key in ("length", "width", "height"):
                    shapes[key][n] *= np.interp(since, [0, 3], [0.5, 1.0])
        elif n >= bone_index("fibula") + 1:
            present[n] = present[n] and age > 10
    space = person.joint_space * scale * np.interp(age, [2, 15], [1.6, 1.1])
    density = person.density * np.float32(np.interp(age, [2, 15], [0.75, 0.95]))
    if not present[bone_index("medial_sesamoid")]:
        present[bone_index("medial_sesamoid_half")] = False
    return Person(
        female=person.female,
        size=person.size * float(scale),
        joint_space=space.astype(np.float32),
        place=place.astype(np.float32),
        shapes={k: v.astype(np.float32) for k, v in shapes.items()},
        present=present,
        density=density,
    )


def _small_shapes(person: Person, age: float, scale: float) -> dict[str, FloatArray]:
    """Shape arrays of the person at a child's size, before any plate is opened."""
    shapes = {key: value.copy() for key, value in person.shapes.items()}
    for key in ("length", "width", "height", "mid_width", "mid_height"):
        shapes[key] *= scale
    shapes["caps"][..., 2:4] *= scale
    shapes["bumps"][..., 4] *= scale * np.interp(age, [2, 15], [0.3, 1.0])
    # Shafts of the young are stout against their length, and their shell is thin.
    shapes["cortex"] = np.maximum(shapes["cortex"] * scale, 0.3)
    return shapes


def _open_plate(
    rng: np.random.Generator,
    shapes: dict[str, FloatArray],
    name: str,
    age: float,
    scale: float,
    grown: float,
    gap: float,
) -> None:
    """Cut a metatarsal or phalanx at its growth plate, unless it is closed or its end is not bone yet.

    ``grown`` is the share of an epiphysis that is bone at this age, ``gap`` the usual width of a plate in mm.
    """
    n, at_head = bone_index(name), name in METATARSALS[1:]
    depth = rng.normal(0.135, 0.012) if name in METATARSALS else rng.normal(0.15, 0.015)
    if not name.startswith(("metatarsal", "proximal")):
        depth = rng.normal(0.2, 0.02)
    closed = age > 13 and rng.random() < 0.25 * (age - 13)
    if closed:
        return
    wide = float(np.clip(gap * rng.normal(1, 0.1), 0.8, 2.5))
    bone = float(np.clip(grown + rng.normal(0, 0.05) - (0.08 if name[-1] in "45" else 0.0), 0.25, 1.0))
    bow = rng.normal(0.0, 0.35) * scale
    length = float(shapes["length"][n])
    # The end must hold its cap, the edge of the plate and the shell of both; a smaller one is not bone yet.
    room = (0.5 * wide + PLATE_ROUNDING + 2 * shapes["cortex"][n, 1] + 0.3) / length
    depth = max(depth, room + 0.03)
    if depth > 0.4:
        return
    cap = shapes["caps"][n, int(at_head)]
    cap[1] = min(cap[1], depth - room)
    # Nor may its hollow or the tilt of its surface reach the plate.
    inside = bone * ((depth - room) * length + 0.3)
    cap[2] = min(cap[2], 0.4 * inside)
    steepest = np.arctan(0.8 * inside / shapes["width"][n, [2, -3]].max())
    cap[4] = np.clip(cap[4], -steepest, steepest)
    shapes["plate"][n] = 1 - depth if at_head else depth, wide, bone, bow


def _rounded(shapes: dict[str, FloatArray], place: FloatArray, name: str, age: float) -> bool:
    """Shrink a bone that grows from a round centre to what of it is bone; whether any of it is."""
    n, since = bone_index(name), age - APPEARS.get(name, 0.0)
    if since <= 0:
        return False
    share = float(np.interp(since, [0, 1.5, 4, 9], [0.35, 0.6, 0.82, 1.0]))
    share = max(share, 0.8) if name in ("talus", "calcaneus") else share
    shrink(shapes, place, name, share)
    # Round while small.
    shapes["caps"][n, :, 0] = 2 + (shapes["caps"][n, :, 0] - 2) * share**2
    shapes["caps"][n, :, 1] = np.maximum(shapes["caps"][n, :, 1], 0.35 * (1 - share))
    return True

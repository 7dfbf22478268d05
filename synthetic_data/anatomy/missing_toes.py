"""Feet after amputation: toes, parts of toes or whole rays are gone.

Which parts go how often is this project's choice, no source.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raysplay.synthetic_data.anatomy.person import Person
from raysplay.synthetic_data.anatomy.pose import PosedFoot
from raysplay.synthetic_data.anatomy.rest import bone_index

PHALANGES = {
    1: ("proximal_phalanx_1", "distal_phalanx_1"),
    **{ray: tuple(f"{part}_phalanx_{ray}" for part in ("proximal", "middle", "distal")) for ray in range(2, 6)},
}
"""Bones of each toe from its base to its tip."""

SESAMOIDS = {
    1: ("medial_sesamoid", "lateral_sesamoid", "medial_sesamoid_half", "hallux_interphalangeal_sesamoid"),
    2: ("second_sesamoid",),
    5: ("fifth_sesamoid",),
}
"""Sesamoids that go with a ray."""


def lose_toes(rng: np.random.Generator, person: Person, foot: PosedFoot) -> tuple[Person, PosedFoot]:
    """Take away toes of a posed foot: one or several, in part, whole, or with their metatarsal."""
    shapes = {key: value.copy() for key, value in person.shapes.items()}
    present, whole = foot.present.copy(), foot.whole.copy()

    def remove(*bones: str) -> None:
        for bone in bones:
            present[bone_index(bone)] = False

    def shorten(bone: str, left: float) -> None:
        n = bone_index(bone)
        for key in ("width", "height", "mid_width", "mid_height", "wedge", "squareness"):
            grid = np.linspace(0, 1, shapes[key].shape[1])
            shapes[key][n] = np.interp(grid * left, grid, shapes[key][n])
        shapes["length"][n] *= left
        shapes["bumps"][n, :, 4] = np.where(shapes["bumps"][n, :, 0] < left, shapes["bumps"][n, :, 4], 0.0)
        shapes["bumps"][n, :, 0] /= left
        shapes["caps"][n, 1] = rng.uniform(2.2, 6), rng.uniform(0.02, 0.06), 0.0, 0.0, rng.normal(0, 0.15)
        whole[n] = False

    count = int(rng.choice([1, 2, 3, 5], p=[0.62, 0.2, 0.1, 0.08]))
    first = int(rng.integers(1, 7 - count))
    if count == 1 and rng.random() < 0.45:
        first = 1  # the great toe is the one that most often goes
    way = rng.choice(["tip", "toe", "ray"], p=[0.25, 0.45, 0.3])
    for ray in range(first, first + count):
        toe = PHALANGES[ray]
        if way == "tip":
            remove(*toe[1:])
            if rng.random() < 0.6:
                shorten(toe[0], rng.uniform(0.35, 0.8))
            continue
        remove(*toe)
        if way == "ray":
            remove(*SESAMOIDS.get(ray, ()))
            if rng.random() < 0.35:
                remove(f"metatarsal_{ray}")
            else:
                shorten(f"metatarsal_{ray}", rng.uniform(0.3, 0.85))
    return replace(person, shapes=shapes), replace(foot, present=present, whole=whole & present)

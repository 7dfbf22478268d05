"""Stands the bones of a digitised foot up as a person's foot, with the angles of a posture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from raysplay.synthetic_data.anatomy.loft import RINGS, SPOKES
from raysplay.synthetic_data.anatomy.person import Person
from raysplay.synthetic_data.anatomy.pose import LATERAL, PosedFoot, bone_frame, heading_vector, pose
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.anatomy.rest import bone_names, bones
from raysplay.synthetic_data.skeleton.settings import SkeletonSettings
from raysplay.synthetic_data.skeleton.surface import BoneSurface

FloatArray = npt.NDArray[np.float64]

SESAMOIDS = ("medial_sesamoid", "lateral_sesamoid")
"""Not among the meshes: the generator's stand in."""

_FLAT = 0.35
"""Fall of the great toe's last bone, as part of that of the first."""


def stand(
    rng: np.random.Generator,
    skeleton: Mapping[str, BoneSurface],
    settings: SkeletonSettings,
    person: Person,
    posture: Posture,
) -> tuple[Person, PosedFoot, FloatArray]:
    """One foot of the skeleton, varied in size and in the shape of each bone.

    The tarsus, the bases of the metatarsals, and how these diverge and fall are the skeleton's own; the great toe
    and its metatarsal turn to the posture's angles, the toes bend as the posture says.

    Returns
    -------
    Person
        ``person`` with the lengths and the size of this foot.
    PosedFoot
    ndarray, shape (2, N, RINGS, SPOKES, 3)
        Outer and inner surfaces of the bones in their own frames; ``nan`` for bones that are not the skeleton's.
    """
    chosen = settings.variation
    names = bone_names()
    number = {name: i for i, name in enumerate(names)}
    made = pose(person, posture)
    origin, frame = made.turn.T @ (made.origin - made.pivot)[..., None], made.turn.T @ made.frame
    origin = origin[..., 0] + made.pivot
    first = number["metatarsal_1"]
    made_axes = frame[first].copy()
    made_tip = origin[first] + made_axes[:, 1] * float(person.shapes["length"][first])

    size = float(rng.uniform(*chosen.size))
    length = person.shapes["length"].astype(np.float32).copy()
    surfaces = np.full((2, len(names), RINGS, SPOKES, 3), np.nan)
    shell = rng.uniform(*chosen.shell_middle), rng.uniform(*chosen.shell_end)
    second = skeleton["metatarsal_2"]
    straight = Rotation.from_euler("z", np.degrees(np.arctan2(second.frame[0, 1], second.frame[1, 1])), degrees=True)
    ground = min(_lowest(skeleton[f"metatarsal_{ray}"]) for ray in range(1, 6))
    there = np.array([*np.array(bones()["metatarsal_2"].base)[:2], settings.sole])
    hint = straight.apply(LATERAL)
    for name, bone in skeleton.items():
        i = number[name]
        stretch = size * rng.uniform(*chosen.stretch, size=3)
        surfaces[:, i] = np.stack([bone.points, bone.inside(*shell)]) * stretch
        length[i] = bone.length * stretch[1]
        frame[i] = straight.apply(bone.frame.T).T
        origin[i] = there + size * straight.apply(bone.origin - [*second.origin[:2], ground])
        # A bone of the tarsus grows about its middle.
        origin[i] += frame[i][:, 1] * 0.5 * (size * bone.length - length[i])

    fall = rng.normal(0, chosen.incline)
    bearing, sink = {}, {}
    for ray in range(1, 6):
        own = frame[number[f"metatarsal_{ray}"]][:, 1]
        bearing[ray] = float(np.degrees(np.arctan2(own[0], own[1])) + rng.normal(0, chosen.turn))
        sink[ray] = float(-np.degrees(np.arcsin(own[2])) + fall)
    bearing[1] = bearing[2] - posture.ima
    head, radius = {}, {}
    for ray in range(1, 6):
        i = number[f"metatarsal_{ray}"]
        base = there + size * straight.apply(skeleton[names[i]].origin - [*second.origin[:2], ground])
        way = heading_vector(bearing[ray], sink[ray])
        origin[i], frame[i] = base, bone_frame(way, hint, posture.pronation - 4.0 if ray == 1 else 0.0)
        outer = surfaces[0, i]
        radius[ray] = 0.42 * float(np.ptp(outer[len(outer) * 3 // 4, :, ::2], axis=0).mean())
        head[ray] = base + way * (length[i] - radius[ray])

    for ray in range(1, 6):
        great = ray == 1
        lean = bearing[ray] + (posture.hva if great else posture.toe_lean[ray - 2])
        down = -(posture.hallux_lift if great else posture.toe_lift[ray - 2])
        roll = posture.hallux_roll if great else 0.0
        way = heading_vector(bearing[ray] + 0.75 * (lean - bearing[ray]), 0.7 * down)
        at = head[ray] + way * (radius[ray] + rng.uniform(*chosen.joint_space))
        if great:
            chain = [("proximal_phalanx_1", lean, down), ("distal_phalanx_1", lean + posture.hia, _FLAT * down)]
        else:
            curl, tip = posture.toe_curl[ray - 2], posture.tip_curl[ray - 2]
            chain = [
                (f"proximal_phalanx_{ray}", lean, down),
                (f"middle_phalanx_{ray}", lean, down + curl),
                (f"distal_phalanx_{ray}", lean, down + curl + tip),
            ]
        for name, aside, falling in chain:
            i = number[name]
            way = heading_vector(aside, falling)
            origin[i], frame[i] = at, bone_frame(way, hint, roll)
            at = at + way * (length[i] + rng.uniform(*chosen.joint_space))

    carry = frame[first] @ made_axes.T
    tip = origin[first] + frame[first][:, 1] * length[first]
    for name in SESAMOIDS:
        i = number[name]
        origin[i], frame[i] = tip + carry @ (origin[i] - made_tip), carry @ frame[i]
    present = np.isin(names, [*skeleton, *SESAMOIDS])
    foot = replace(
        made,
        origin=made.pivot + (origin - made.pivot) @ made.turn.T,
        frame=made.turn @ frame,
        present=present,
    )
    person = replace(person, size=size, shapes={**person.shapes, "length": length})
    return person, foot, surfaces


def _lowest(bone: BoneSurface) -> float:
    """Height of the lowest point of a bone in the foot."""
    return float((bone.origin + bone.points @ bone.frame.T)[..., 2].min())

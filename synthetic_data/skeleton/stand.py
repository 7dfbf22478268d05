"""Stands the bones of a digitised foot up as a person's foot, with the angles of a posture."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

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

    Parameters
    ----------
    rng : numpy.random.Generator
    skeleton : mapping of str to BoneSurface
    settings : SkeletonSettings
    person : Person
        A generated one, for all that the meshes do not hold.
    posture : Posture

    Returns
    -------
    Person
        ``person`` with the lengths and the size of this foot.
    PosedFoot
    ndarray, shape (2, N, RINGS, SPOKES, 3)
        Outer and inner surfaces of the bones in their own frames; ``nan`` for bones that are not the skeleton's.
    """
    number = {name: i for i, name in enumerate(bone_names())}
    made = pose(person, posture)
    origin, frame = made.turn.T @ (made.origin - made.pivot)[..., None], made.turn.T @ made.frame
    origin = origin[..., 0] + made.pivot
    first = number["metatarsal_1"]
    made_axes = frame[first].copy()
    made_tip = origin[first] + made_axes[:, 1] * float(person.shapes["length"][first])

    size = float(rng.uniform(*settings.variation.size))
    laid = _Laid(number, origin, frame, person.shapes["length"].astype(np.float32).copy())
    surfaces = _lay_as_digitised(rng, laid, skeleton, settings, size)
    rays = _spread_metatarsals(rng, laid, skeleton, settings, surfaces[0], size, posture)
    _bend_toes(rng, laid, rays, settings, posture)

    carry = frame[first] @ made_axes.T
    tip = origin[first] + frame[first][:, 1] * laid.length[first]
    for name in SESAMOIDS:
        i = number[name]
        origin[i], frame[i] = tip + carry @ (origin[i] - made_tip), carry @ frame[i]
    foot = replace(
        made,
        origin=made.pivot + (origin - made.pivot) @ made.turn.T,
        frame=made.turn @ frame,
        present=np.isin(bone_names(), [*skeleton, *SESAMOIDS]),
    )
    person = replace(person, size=size, shapes={**person.shapes, "length": laid.length})
    return person, foot, surfaces


@dataclass
class _Laid:
    """Bones of a flat foot while they are laid: number by name, base (N, 3), directions (N, 3, 3), length (N,); mm."""

    number: dict[str, int]
    origin: FloatArray
    frame: FloatArray
    length: npt.NDArray[np.float32]
    hint: FloatArray = field(default_factory=lambda: np.zeros(3))
    """Lateral direction of the skeleton with its second ray straight ahead."""


@dataclass(frozen=True)
class _Ray:
    """A metatarsal in its place: its direction from above in degrees, centre and radius of its head in mm."""

    bearing: float
    head: FloatArray
    radius: float


def _place(
    skeleton: Mapping[str, BoneSurface], settings: SkeletonSettings, size: float
) -> tuple[Rotation, Callable[[FloatArray], FloatArray]]:
    """The turn that lays the second ray straight ahead, and the map from the skeleton to the foot on the ground."""
    second = skeleton["metatarsal_2"]
    straight = Rotation.from_euler("z", np.degrees(np.arctan2(second.frame[0, 1], second.frame[1, 1])), degrees=True)
    ground = min(_lowest(skeleton[f"metatarsal_{ray}"]) for ray in range(1, 6))
    there = np.array([*np.array(bones()["metatarsal_2"].base)[:2], settings.sole])
    return straight, lambda point: there + size * straight.apply(point - [*second.origin[:2], ground])


def _lay_as_digitised(
    rng: np.random.Generator,
    laid: _Laid,
    skeleton: Mapping[str, BoneSurface],
    settings: SkeletonSettings,
    size: float,
) -> FloatArray:
    """Lay every bone where the skeleton has it, each stretched by itself; gives the surfaces (see :func:`stand`)."""
    chosen = settings.variation
    surfaces = np.full((2, len(laid.number), RINGS, SPOKES, 3), np.nan)
    shell = rng.uniform(*chosen.shell_middle), rng.uniform(*chosen.shell_end)
    straight, place = _place(skeleton, settings, size)
    laid.hint = straight.apply(LATERAL)
    for name, bone in skeleton.items():
        i = laid.number[name]
        stretch = size * rng.uniform(*chosen.stretch, size=3)
        surfaces[:, i] = np.stack([bone.points, bone.inside(*shell)]) * stretch
        laid.length[i] = bone.length * stretch[1]
        laid.frame[i] = straight.apply(bone.frame.T).T
        laid.origin[i] = place(bone.origin)
        # A bone of the tarsus grows about its middle.
        laid.origin[i] += laid.frame[i][:, 1] * 0.5 * (size * bone.length - laid.length[i])
    return surfaces


def _spread_metatarsals(
    rng: np.random.Generator,
    laid: _Laid,
    skeleton: Mapping[str, BoneSurface],
    settings: SkeletonSettings,
    outer: FloatArray,
    size: float,
    posture: Posture,
) -> dict[int, _Ray]:
    """Turn the metatarsals about their bases, the first to the posture's IMA; gives the rays by number."""
    chosen = settings.variation
    fall = rng.normal(0, chosen.incline)
    bearing, sink = {}, {}
    for ray in range(1, 6):
        own = laid.frame[laid.number[f"metatarsal_{ray}"]][:, 1]
        bearing[ray] = float(np.degrees(np.arctan2(own[0], own[1])) + rng.normal(0, chosen.turn))
        sink[ray] = float(-np.degrees(np.arcsin(own[2])) + fall)
    bearing[1] = bearing[2] - posture.ima
    rays = {}
    _, place = _place(skeleton, settings, size)
    for ray in range(1, 6):
        name = f"metatarsal_{ray}"
        i = laid.number[name]
        base = place(skeleton[name].origin)
        way = heading_vector(bearing[ray], sink[ray])
        laid.origin[i] = base
        laid.frame[i] = bone_frame(way, laid.hint, posture.pronation - 4.0 if ray == 1 else 0.0)
        own = outer[i]
        radius = 0.42 * float(np.ptp(own[len(own) * 3 // 4, :, ::2], axis=0).mean())
        rays[ray] = _Ray(bearing[ray], base + way * (laid.length[i] - radius), radius)
    return rays


def _bend_toes(
    rng: np.random.Generator, laid: _Laid, rays: Mapping[int, _Ray], settings: SkeletonSettings, posture: Posture
) -> None:
    """Chain the phalanges to the heads of the metatarsals: HVA and HIA of the posture, and how its toes bend."""
    for number, ray in rays.items():
        great = number == 1
        lean = ray.bearing + (posture.hva if great else posture.toe_lean[number - 2])
        down = -(posture.hallux_lift if great else posture.toe_lift[number - 2])
        roll = posture.hallux_roll if great else 0.0
        way = heading_vector(ray.bearing + 0.75 * (lean - ray.bearing), 0.7 * down)
        at = ray.head + way * (ray.radius + rng.uniform(*settings.variation.joint_space))
        if great:
            chain = [("proximal_phalanx_1", lean, down), ("distal_phalanx_1", lean + posture.hia, _FLAT * down)]
        else:
            curl, tip = posture.toe_curl[number - 2], posture.tip_curl[number - 2]
            chain = [
                (f"proximal_phalanx_{number}", lean, down),
                (f"middle_phalanx_{number}", lean, down + curl),
                (f"distal_phalanx_{number}", lean, down + curl + tip),
            ]
        for name, aside, falling in chain:
            i = laid.number[name]
            way = heading_vector(aside, falling)
            laid.origin[i], laid.frame[i] = at, bone_frame(way, laid.hint, roll)
            at = at + way * (laid.length[i] + rng.uniform(*settings.variation.joint_space))


def _lowest(bone: BoneSurface) -> float:
    """Height of the lowest point of a bone in the foot."""
    return float((bone.origin + bone.points @ bone.frame.T)[..., 2].min())

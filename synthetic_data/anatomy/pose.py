"""Places the bones of a person in space according to a posture.

Frame: right foot, mm, x lateral, y distal along the second metatarsal, z dorsal, floor at z = 0.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial.transform import Rotation

from raysplay.synthetic_data.anatomy.person import Person
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.anatomy.rest import FINE, bone_names, bones

FloatArray = npt.NDArray[np.float64]

MIDFOOT = np.array([8.0, -72.0, 45.0])
"""Pivot of forefoot adduction at rest, near the base of the second metatarsal."""

LESSER_RAYS = (2, 3, 4, 5)


@dataclass(frozen=True)
class PosedFoot:
    """Where the bones are.

    Attributes
    ----------
    origin : ndarray, shape (N, 3)
        Base of each bone in mm.
    frame : ndarray, shape (N, 3, 3)
        Columns: width, length and height direction of each bone.
    present : ndarray of bool, shape (N,)
        Bones that are there.
    whole : ndarray of bool, shape (N,)
        Bones that are there from end to end, so that their landmarks exist.
    turn : ndarray, shape (3, 3)
        Rotation of the whole foot as it lies on the plate, pitch and roll.
    pivot : ndarray, shape (3,)
        Point that ``turn`` is about, mm.
    """

    origin: FloatArray
    frame: FloatArray
    present: npt.NDArray[np.bool_]
    whole: npt.NDArray[np.bool_]
    turn: FloatArray
    pivot: FloatArray


def heading_vector(bearing: float, inclination: float) -> FloatArray:
    """Unit vector at ``bearing`` degrees lateral of distal, falling by ``inclination`` degrees."""
    a, d = np.radians(bearing), np.radians(inclination)
    return np.array([np.sin(a) * np.cos(d), np.cos(a) * np.cos(d), -np.sin(d)])


def bone_frame(axis: FloatArray, width_hint: FloatArray, roll: float = 0.0) -> FloatArray:
    """Right-handed frame (width, length, height) about ``axis``; ``roll`` in degrees lowers the lateral side."""
    axis = axis / np.linalg.norm(axis)
    width = width_hint - axis * (width_hint @ axis)
    width /= np.linalg.norm(width)
    height = np.cross(width, axis)
    c, s = np.cos(np.radians(roll)), np.sin(np.radians(roll))
    return np.stack([c * width - s * height, axis, s * width + c * height], axis=1)


LATERAL = np.array([1.0, 0.0, 0.0])


def cuneiform_bearing(posture: Posture) -> float:
    """Bearing of the medial cuneiform, degrees lateral of distal: halfway from its rest to where its surface looks."""
    axis = bones()["medial_cuneiform"].axis
    rest = float(np.degrees(np.arctan2(axis[0], axis[1]))) + posture.adduction - 0.2 * (posture.ima - 8.0)
    return 0.5 * (rest - posture.cuneiform_facing)


def pose(person: Person, posture: Posture) -> PosedFoot:
    """Put every bone in its place.

    Metatarsals turn about their bases, toes about the metatarsal heads; the tarsus keeps its rest order and is
    turned as a whole for forefoot adduction. The whole foot is then pitched and rolled as it lies on the plate.
    """
    names = bone_names()
    number = {name: i for i, name in enumerate(names)}
    rest = bones()
    size = person.size
    length, space = person.shapes["length"].astype(float), person.joint_space.astype(float)
    origin = np.zeros((len(names), 3))
    frame = np.zeros((len(names), 3, 3))
    lower = np.array([size, size, size * posture.arch])

    def put(name: str, base: FloatArray, axes: FloatArray) -> None:
        origin[number[name]] = base
        frame[number[name]] = axes

    def head_radius(bone: int) -> np.float32:
        """Radius of the round end of a metatarsal, from its section at nine tenths of the length."""
        at = round(0.9 * (FINE - 1))
        radius: np.float32 = 0.42 * 0.5 * (person.shapes["width"][bone, at] + person.shapes["height"][bone, at])
        return radius

    # The forefoot keeps its direction: the tarsus turns outwards under it.
    adduct = Rotation.from_euler("z", -posture.adduction, degrees=True)
    for name, bone in rest.items():
        i = number[name]
        base = (np.array(bone.base) + person.place[i]) * lower
        axis, hint = np.array(bone.axis, float), np.array(bone.width_axis, float)
        if name not in ("tibia", "fibula"):
            axis = axis * np.array([1, 1, posture.arch])
        base = MIDFOOT * lower + adduct.apply(base - MIDFOOT * lower)
        put(name, base, bone_frame(adduct.apply(axis), adduct.apply(hint)))

    swing = posture.ima - 8.0
    cuneiform = number["medial_cuneiform"]
    bearing_now = np.degrees(np.arctan2(frame[cuneiform][0, 1], frame[cuneiform][1, 1]))
    turn_c1 = Rotation.from_euler("z", bearing_now - cuneiform_bearing(posture), degrees=True)
    frame[cuneiform] = turn_c1.apply(frame[cuneiform].T).T

    # The specimen of the rest table lay rolled, its bases stacked over each other. On a standing foot they lie side
    # by side on a flatter transverse arch; ``row`` says how far between the two this foot is.
    rest_base = {ray: np.array(rest[f"metatarsal_{ray}"].base) for ray in range(1, 6)}
    row_base = {2: rest_base[2] - np.array([0.0, 0.0, 10.0])}
    for ray, aside, drop in (
        (3, posture.base_gap[1], 4.5),
        (4, posture.base_gap[2], 5.0),
        (5, posture.base_gap[3], 6.0),
    ):
        row_base[ray] = np.array([row_base[ray - 1][0] + aside, rest_base[ray][1], row_base[ray - 1][2] - drop])
    row_base[1] = np.array([rest_base[2][0] - posture.base_gap[0], rest_base[1][1], rest_base[1][2]])
    shift = {ray: posture.row * (row_base[ray] - rest_base[ray]) for ray in range(1, 6)}
    carried = {
        "medial_cuneiform": shift[1],
        "intermediate_cuneiform": 0.5 * (shift[1] + shift[2]),
        "lateral_cuneiform": shift[3],
        "cuboid": 0.5 * (shift[4] + shift[5]),
        "navicular": 0.4 * shift[1],
        "calcaneus": 0.25 * (shift[4] + shift[5]),
        "os_intermetatarseum": 0.5 * (shift[1] + shift[2]),
        "os_peroneum": 0.5 * (shift[4] + shift[5]),
        "accessory_navicular": 0.4 * shift[1],
    }
    for name, by in carried.items():
        origin[number[name]] = origin[number[name]] + by * lower
    talus = size * np.array([posture.talus_aside, -posture.talus_back, 0.0])
    heel = size * np.array([posture.heel_aside, 0.0, 0.0])
    behind = {"talus": talus + 0.5 * heel, "navicular": talus, "accessory_navicular": talus, "calcaneus": talus + heel}
    for name, by in behind.items():
        origin[number[name]] = origin[number[name]] + by

    # Metatarsals about their bases: only the shafts fan out.
    bearing = {
        1: -posture.ima,
        2: 0.0,
        3: posture.spread_2_3,
        4: posture.spread_2_3 + posture.spread_3_4,
        5: posture.spread_2_3 + posture.spread_3_4 + posture.ima45,
    }
    head_height = {1: 4.0, 2: 1.5, 3: 0.5, 4: 0.0, 5: -0.5}
    head: dict[int, FloatArray] = {}
    heading: dict[int, FloatArray] = {}
    roll = {1: posture.pronation - 4.0, 2: 0.0, 3: 4.0, 4: 8.0, 5: 12.0}
    for ray in range(1, 6):
        name = f"metatarsal_{ray}"
        i = number[name]
        base = (rest_base[ray] + shift[ray] + 0.6 * person.place[i]) * lower
        if ray == 1:
            # A cuneiform turned inwards carries the base with it, a little.
            base = base + np.array([-0.06 * swing, 0.0, 0.0]) * size
        target = (posture.head_height + head_height[ray]) * size
        fall = np.degrees(np.arcsin(np.clip((base[2] - target) / length[i], -0.2, 0.75)))
        heading[ray] = heading_vector(bearing[ray], fall)
        put(name, base, bone_frame(heading[ray], LATERAL, roll[ray]))
        if ray == 1:
            # The medial cuneiform ends where the metatarsal begins; its other end gives way for the most part.
            faces = heading_vector(-posture.cuneiform_facing, fall)
            wanted = base - faces * (person.joint_space[number["proximal_phalanx_1"]] * 0.8)
            middle = [person.shapes[key][cuneiform, -1] for key in ("mid_width", "mid_height")]
            tip = origin[cuneiform] + frame[cuneiform] @ np.array([middle[0], length[cuneiform], middle[1]], float)
            origin[cuneiform] += (wanted - tip) * np.array([1.0, 1.0, 0.5])
        head[ray] = base + heading[ray] * (length[i] - head_radius(i))

    # Great toe: the phalanx glides round the head; subluxation carries it further to the side.
    def joint(ray: int, bearing_toe: float, inclination: float, share: float, aside: float) -> FloatArray:
        i = number[f"metatarsal_{ray}"]
        way = heading_vector(bearing[ray] + share * (bearing_toe - bearing[ray]), inclination * 0.7)
        dish = float(person.shapes["caps"][number[f"proximal_phalanx_{ray}"], 0, 2])
        # The rim of a hollow base reaches over the head: the joint space is measured at its middle.
        reach = head_radius(i) + space[number[f"proximal_phalanx_{ray}"]] - 0.9 * dish
        place: FloatArray = head[ray] + way * reach + np.array([aside, 0.0, 0.0])
        return place

    great = bearing[1] + posture.hva
    base = joint(1, great, -posture.hallux_lift, 0.75, posture.subluxation)
    axis = heading_vector(great, -posture.hallux_lift)
    put("proximal_phalanx_1", base, bone_frame(axis, LATERAL, posture.hallux_roll))
    tip = base + axis * (length[number["proximal_phalanx_1"]] + space[number["distal_phalanx_1"]])
    axis = heading_vector(great + posture.hia, -posture.hallux_lift * 0.3)
    put("distal_phalanx_1", tip, bone_frame(axis, LATERAL, posture.hallux_roll * 1.1))

    for ray in LESSER_RAYS:
        k = ray - 2
        fall = -posture.toe_lift[k]
        lean = bearing[ray] + posture.toe_lean[k]
        base = joint(ray, lean, fall, 0.85, 0.0)
        axis = heading_vector(lean, fall)
        roll_toe = {2: 0.0, 3: -4.0, 4: -10.0, 5: -22.0}[ray]
        put(f"proximal_phalanx_{ray}", base, bone_frame(axis, LATERAL, roll_toe))
        base = base + axis * (length[number[f"proximal_phalanx_{ray}"]] + space[number[f"middle_phalanx_{ray}"]])
        fall += posture.toe_curl[k]
        axis = heading_vector(lean - 0.3 * posture.toe_lean[k], fall)
        put(f"middle_phalanx_{ray}", base, bone_frame(axis, LATERAL, roll_toe))
        base = base + axis * (length[number[f"middle_phalanx_{ray}"]] + space[number[f"distal_phalanx_{ray}"]])
        fall += posture.tip_curl[k]
        axis = heading_vector(lean - 0.5 * posture.toe_lean[k], fall)
        put(f"distal_phalanx_{ray}", base, bone_frame(axis, LATERAL, roll_toe))

    # Sesamoids under the head, turned with the metatarsal, drifting to the side as the head leaves them.
    first = number["metatarsal_1"]
    lateral, distal, dorsal = frame[first].T
    under = 0.5 * float(person.shapes["height"][first, 55])
    for name, aside in (("medial_sesamoid", -6.2), ("lateral_sesamoid", 6.4)):
        i = number[name]
        half = 0.5 * length[i]
        centre = origin[first] + distal * (length[first] - 12.5 * size) - dorsal * (under + 3.2 * size)
        offset = (aside * size * (1 - 0.12 * max(0.0, posture.sesamoid_drift) / 8)) + posture.sesamoid_drift
        centre = centre + lateral * offset + dorsal * max(0.0, abs(offset) - 7) * 0.35 + person.place[i] * 0.6
        axis = heading_vector(bearing[1] + 0.25 * posture.hva, 8.0)
        axes = bone_frame(axis, LATERAL, posture.pronation)
        if name == "medial_sesamoid" and person.present[number["medial_sesamoid_half"]]:
            # In two parts: this one lies in front, the other behind, with a narrow gap between.
            other = number["medial_sesamoid_half"]
            whole_length = 1.12 * (length[i] + length[other])
            put("medial_sesamoid_half", centre - axis * 0.5 * whole_length, axes)
            centre = centre + axis * (0.5 * whole_length - half)
        put(name, centre - axis * half, axes)
    _put_small_sesamoids(put, person, number, origin, frame)

    # Ankle: talus follows the leg by a part of its flexion.
    ankle = origin[number["talus"]] + frame[number["talus"]] @ np.array([0, 16.0, 16.0]) * size
    tilt = Rotation.from_euler("ZX", [posture.leg_turn, posture.ankle_flexion], degrees=True)
    part = Rotation.from_euler("X", 0.35 * posture.ankle_flexion, degrees=True)
    i = number["talus"]
    head_talus = origin[i] + frame[i][:, 1] * length[i]
    frame[i] = part.apply(frame[i].T).T
    origin[i] = head_talus - frame[i][:, 1] * length[i]
    ankle = origin[i] + frame[i] @ np.array([0, 18.0, 15.0]) * size
    for name, offset_rest in (
        ("tibia", np.array([0.0, 0.0, 3.0])),
        ("fibula", np.array([25.0, -6.0, -22.0])),
    ):
        axis = tilt.apply(np.array([0.0, 0.0, 1.0]))
        put(name, ankle + tilt.apply(offset_rest * size), bone_frame(axis, tilt.apply(LATERAL)))
    present = person.present.copy()
    if not posture.leg:
        present[[number["tibia"], number["fibula"]]] = False

    pivot = np.array([8.0, -60.0, 25.0]) * size
    turn = Rotation.from_euler("yx", [posture.foot_roll, posture.foot_pitch], degrees=True)
    origin = pivot + turn.apply(origin - pivot)
    frame = np.einsum("ij,njk->nik", turn.as_matrix(), frame)
    return PosedFoot(origin, frame, present, np.ones(len(names), bool), turn.as_matrix(), pivot)


def _put_small_sesamoids(
    put: Callable[[str, FloatArray, FloatArray], None],
    person: Person,
    number: Mapping[str, int],
    origin: FloatArray,
    frame: FloatArray,
) -> None:
    """Sesamoids under the interphalangeal joint of the great toe and under the second and fifth heads."""
    shapes = person.shapes

    def under(bone: str, share: float, name: str, across: bool) -> None:
        i, n = number[bone], number[name]
        width, along, up = frame[i].T
        at = round(min(share, 0.95) * (FINE - 1))
        drop = 0.5 * (shapes["height"][i, at] + shapes["height"][n, FINE // 2])
        middle = origin[i] + along * share * shapes["length"][i] - up * (drop + 0.8 * person.size)
        middle = middle + width * shapes["mid_width"][i, at] + person.place[n] * person.size
        axis, hint = (width, along) if across else (along, width)
        put(name, middle - axis * 0.5 * shapes["length"][n], bone_frame(axis, hint))

    under("proximal_phalanx_1", 0.97, "hallux_interphalangeal_sesamoid", True)
    under("metatarsal_2", 0.88, "second_sesamoid", False)
    under("metatarsal_5", 0.88, "fifth_sesamoid", False)

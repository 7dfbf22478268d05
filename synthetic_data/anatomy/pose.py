"""Places the bones of a person in space according to a posture.

Frame: right foot, mm, x lateral, y distal along the second metatarsal, z dorsal, floor at z = 0.
"""

from __future__ import annotations

from collections.abc import Mapping
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
    """Right-handed frame (width, length, height) about ``axis``; ``roll`` in degrees lowers the lateral side.

    Parameters
    ----------
    axis : ndarray, shape (3,)
        Direction of the bone's length; of any length but 0.
    width_hint : ndarray, shape (3,)
        About lateral; only its part across ``axis`` counts.
    roll : float
        Degrees.

    Returns
    -------
    ndarray, shape (3, 3)
        Unit directions as columns.
    """
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


@dataclass
class _Placing:
    """Bones of one person on their way to their places: base (N, 3) and frame (N, 3, 3) of each, in mm."""

    person: Person
    posture: Posture
    origin: FloatArray
    frame: FloatArray
    length: FloatArray
    space: FloatArray
    number: Mapping[str, int]

    @classmethod
    def of(cls, person: Person, posture: Posture) -> _Placing:
        names = bone_names()
        return cls(
            person,
            posture,
            np.zeros((len(names), 3)),
            np.zeros((len(names), 3, 3)),
            person.shapes["length"].astype(float),
            person.joint_space.astype(float),
            {name: i for i, name in enumerate(names)},
        )

    @property
    def lower(self) -> FloatArray:
        """Scale of places at rest, (3,): the size of the person, and the arch in height."""
        size = self.person.size
        return np.array([size, size, size * self.posture.arch])

    def put(self, name: str, base: FloatArray, axes: FloatArray) -> None:
        self.origin[self.number[name]] = base
        self.frame[self.number[name]] = axes

    def move(self, name: str, by: FloatArray) -> None:
        self.origin[self.number[name]] = self.origin[self.number[name]] + by

    def head_radius(self, bone: int) -> np.float32:
        """Radius of the round end of a metatarsal, from its section at nine tenths of the length."""
        at, shapes = round(0.9 * (FINE - 1)), self.person.shapes
        radius: np.float32 = 0.42 * 0.5 * (shapes["width"][bone, at] + shapes["height"][bone, at])
        return radius


def pose(person: Person, posture: Posture) -> PosedFoot:
    """Put every bone in its place.

    Metatarsals turn about their bases, toes about the metatarsal heads; the tarsus keeps its rest order and is
    turned as a whole for forefoot adduction. The whole foot is then pitched and rolled as it lies on the plate.

    Parameters
    ----------
    person : Person
        Bones, mm.
    posture : Posture
        Angles in degrees, heights in mm; nothing else is drawn.

    Returns
    -------
    PosedFoot
        In the frame of this module, mm.
    """
    placing = _Placing.of(person, posture)
    _lay_at_rest(placing)
    _turn_medial_cuneiform(placing)
    shift = _base_shifts(posture)
    _carry_tarsus(placing, shift)
    bearing = _bearings(posture)
    heads = _put_metatarsals(placing, shift, bearing)
    _put_great_toe(placing, heads[1], bearing[1])
    for ray in LESSER_RAYS:
        _put_lesser_toe(placing, ray, heads[ray], bearing[ray])
    _put_sesamoids(placing, bearing[1])
    _put_small_sesamoids(placing)
    _put_leg(placing)
    present = person.present.copy()
    if not posture.leg:
        present[[placing.number["tibia"], placing.number["fibula"]]] = False

    pivot = np.array([8.0, -60.0, 25.0]) * person.size
    turn = Rotation.from_euler("yx", [posture.foot_roll, posture.foot_pitch], degrees=True)
    origin = pivot + turn.apply(placing.origin - pivot)
    frame = np.einsum("ij,njk->nik", turn.as_matrix(), placing.frame)
    return PosedFoot(origin, frame, present, np.ones(len(origin), bool), turn.as_matrix(), pivot)


def _lay_at_rest(placing: _Placing) -> None:
    """Every bone where it is at rest. The forefoot keeps its direction: the tarsus turns outwards under it."""
    lower, posture = placing.lower, placing.posture
    adduct = Rotation.from_euler("z", -posture.adduction, degrees=True)
    for name, bone in bones().items():
        base = (np.array(bone.base) + placing.person.place[placing.number[name]]) * lower
        axis, hint = np.array(bone.axis, float), np.array(bone.width_axis, float)
        if name not in ("tibia", "fibula"):
            axis = axis * np.array([1, 1, posture.arch])
        base = MIDFOOT * lower + adduct.apply(base - MIDFOOT * lower)
        placing.put(name, base, bone_frame(adduct.apply(axis), adduct.apply(hint)))


def _turn_medial_cuneiform(placing: _Placing) -> None:
    frame, cuneiform = placing.frame, placing.number["medial_cuneiform"]
    bearing_now = np.degrees(np.arctan2(frame[cuneiform][0, 1], frame[cuneiform][1, 1]))
    turn = Rotation.from_euler("z", bearing_now - cuneiform_bearing(placing.posture), degrees=True)
    frame[cuneiform] = turn.apply(frame[cuneiform].T).T


def _base_at_rest(ray: int) -> FloatArray:
    return np.array(bones()[f"metatarsal_{ray}"].base)


def _base_shifts(posture: Posture) -> dict[int, FloatArray]:
    """How far the base of each metatarsal lies from its place at rest, by ray, in mm of the rest table.

    The specimen of the rest table lay rolled, its bases stacked over each other. On a standing foot they lie side
    by side on a flatter transverse arch; ``row`` says how far between the two this foot is.
    """
    rest_base = {ray: _base_at_rest(ray) for ray in range(1, 6)}
    row_base = {2: rest_base[2] - np.array([0.0, 0.0, 10.0])}
    for ray, aside, drop in (
        (3, posture.base_gap[1], 4.5),
        (4, posture.base_gap[2], 5.0),
        (5, posture.base_gap[3], 6.0),
    ):
        row_base[ray] = np.array([row_base[ray - 1][0] + aside, rest_base[ray][1], row_base[ray - 1][2] - drop])
    row_base[1] = np.array([rest_base[2][0] - posture.base_gap[0], rest_base[1][1], rest_base[1][2]])
    return {ray: posture.row * (row_base[ray] - rest_base[ray]) for ray in range(1, 6)}


def _carry_tarsus(placing: _Placing, shift: Mapping[int, FloatArray]) -> None:
    """Tarsal bones follow the bases before them; talus and heel lie behind as the posture says."""
    size, posture = placing.person.size, placing.posture
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
        placing.move(name, by * placing.lower)
    talus = size * np.array([posture.talus_aside, -posture.talus_back, 0.0])
    heel = size * np.array([posture.heel_aside, 0.0, 0.0])
    behind = {"talus": talus + 0.5 * heel, "navicular": talus, "accessory_navicular": talus, "calcaneus": talus + heel}
    for name, by in behind.items():
        placing.move(name, by)


def _bearings(posture: Posture) -> dict[int, float]:
    """Direction of each metatarsal, degrees lateral of distal, by ray."""
    return {
        1: -posture.ima,
        2: 0.0,
        3: posture.spread_2_3,
        4: posture.spread_2_3 + posture.spread_3_4,
        5: posture.spread_2_3 + posture.spread_3_4 + posture.ima45,
    }


def _put_metatarsals(
    placing: _Placing, shift: Mapping[int, FloatArray], bearing: Mapping[int, float]
) -> dict[int, FloatArray]:
    """Turn metatarsals about their bases, so that only the shafts fan out; centres of their heads, by ray."""
    person, posture, size = placing.person, placing.posture, placing.person.size
    head_height = {1: 4.0, 2: 1.5, 3: 0.5, 4: 0.0, 5: -0.5}
    roll = {1: posture.pronation - 4.0, 2: 0.0, 3: 4.0, 4: 8.0, 5: 12.0}
    heads: dict[int, FloatArray] = {}
    for ray in range(1, 6):
        name = f"metatarsal_{ray}"
        i = placing.number[name]
        base = (_base_at_rest(ray) + shift[ray] + 0.6 * person.place[i]) * placing.lower
        if ray == 1:
            # A cuneiform turned inwards carries the base with it, a little.
            base = base + np.array([-0.06 * (posture.ima - 8.0), 0.0, 0.0]) * size
        target = (posture.head_height + head_height[ray]) * size
        fall = np.degrees(np.arcsin(np.clip((base[2] - target) / placing.length[i], -0.2, 0.75)))
        heading = heading_vector(bearing[ray], fall)
        placing.put(name, base, bone_frame(heading, LATERAL, roll[ray]))
        if ray == 1:
            _fit_medial_cuneiform(placing, base, fall)
        heads[ray] = base + heading * (placing.length[i] - placing.head_radius(i))
    return heads


def _fit_medial_cuneiform(placing: _Placing, base: FloatArray, fall: float) -> None:
    """The medial cuneiform ends where the metatarsal begins; its other end gives way for the most part."""
    shapes, cuneiform = placing.person.shapes, placing.number["medial_cuneiform"]
    faces = heading_vector(-placing.posture.cuneiform_facing, fall)
    wanted = base - faces * (placing.person.joint_space[placing.number["proximal_phalanx_1"]] * 0.8)
    middle = [shapes[key][cuneiform, -1] for key in ("mid_width", "mid_height")]
    reach = np.array([middle[0], placing.length[cuneiform], middle[1]], float)
    tip = placing.origin[cuneiform] + placing.frame[cuneiform] @ reach
    placing.origin[cuneiform] += (wanted - tip) * np.array([1.0, 1.0, 0.5])


def _toe_base(
    placing: _Placing, ray: int, head: FloatArray, way: tuple[float, float], aside: float = 0.0
) -> FloatArray:
    """Base of a toe on the round head of its metatarsal, ``way`` (bearing, fall) from the centre of the head."""
    toe = placing.number[f"proximal_phalanx_{ray}"]
    dish = float(placing.person.shapes["caps"][toe, 0, 2])
    # The rim of a hollow base reaches over the head: the joint space is measured at its middle.
    reach = placing.head_radius(placing.number[f"metatarsal_{ray}"]) + placing.space[toe] - 0.9 * dish
    place: FloatArray = head + heading_vector(*way) * reach + np.array([aside, 0.0, 0.0])
    return place


def _put_great_toe(placing: _Placing, head: FloatArray, bearing: float) -> None:
    """The phalanx glides round the head; subluxation carries it further to the side."""
    posture, number = placing.posture, placing.number
    great = bearing + posture.hva
    way = bearing + 0.75 * (great - bearing), -posture.hallux_lift * 0.7
    base = _toe_base(placing, 1, head, way, posture.subluxation)
    axis = heading_vector(great, -posture.hallux_lift)
    placing.put("proximal_phalanx_1", base, bone_frame(axis, LATERAL, posture.hallux_roll))
    reach = placing.length[number["proximal_phalanx_1"]] + placing.space[number["distal_phalanx_1"]]
    tip = base + axis * reach
    axis = heading_vector(great + posture.hia, -posture.hallux_lift * 0.3)
    placing.put("distal_phalanx_1", tip, bone_frame(axis, LATERAL, posture.hallux_roll * 1.1))


def _put_lesser_toe(placing: _Placing, ray: int, head: FloatArray, bearing: float) -> None:
    """Three phalanges, each lifted and curled after the one before."""
    posture, k = placing.posture, ray - 2
    lean = bearing + posture.toe_lean[k]
    fall = -posture.toe_lift[k]
    base = _toe_base(placing, ray, head, (bearing + 0.85 * (lean - bearing), fall * 0.7))
    roll = {2: 0.0, 3: -4.0, 4: -10.0, 5: -22.0}[ray]
    falls = fall, fall + posture.toe_curl[k], fall + posture.toe_curl[k] + posture.tip_curl[k]
    leans = lean, lean - 0.3 * posture.toe_lean[k], lean - 0.5 * posture.toe_lean[k]
    axes = [heading_vector(*way) for way in zip(leans, falls, strict=True)]
    names = [f"{part}_phalanx_{ray}" for part in ("proximal", "middle", "distal")]
    placing.put(names[0], base, bone_frame(axes[0], LATERAL, roll))
    for before, name, axis, next_axis in zip(names, names[1:], axes, axes[1:], strict=False):
        base = base + axis * (placing.length[placing.number[before]] + placing.space[placing.number[name]])
        placing.put(name, base, bone_frame(next_axis, LATERAL, roll))


def _put_sesamoids(placing: _Placing, bearing: float) -> None:
    """Sesamoids under the head, turned with the metatarsal, drifting to the side as the head leaves them."""
    person, posture, number, size = placing.person, placing.posture, placing.number, placing.person.size
    length, first = placing.length, placing.number["metatarsal_1"]
    lateral, distal, dorsal = placing.frame[first].T
    under = 0.5 * float(person.shapes["height"][first, 55])
    for name, aside in (("medial_sesamoid", -6.2), ("lateral_sesamoid", 6.4)):
        i = number[name]
        half = 0.5 * length[i]
        centre = placing.origin[first] + distal * (length[first] - 12.5 * size) - dorsal * (under + 3.2 * size)
        offset = (aside * size * (1 - 0.12 * max(0.0, posture.sesamoid_drift) / 8)) + posture.sesamoid_drift
        centre = centre + lateral * offset + dorsal * max(0.0, abs(offset) - 7) * 0.35 + person.place[i] * 0.6
        axis = heading_vector(bearing + 0.25 * posture.hva, 8.0)
        axes = bone_frame(axis, LATERAL, posture.pronation)
        if name == "medial_sesamoid" and person.present[number["medial_sesamoid_half"]]:
            # In two parts: this one lies in front, the other behind, with a narrow gap between.
            other = number["medial_sesamoid_half"]
            whole_length = 1.12 * (length[i] + length[other])
            placing.put("medial_sesamoid_half", centre - axis * 0.5 * whole_length, axes)
            centre = centre + axis * (0.5 * whole_length - half)
        placing.put(name, centre - axis * half, axes)


def _put_small_sesamoids(placing: _Placing) -> None:
    """Sesamoids under the interphalangeal joint of the great toe and under the second and fifth heads."""
    person, shapes, number = placing.person, placing.person.shapes, placing.number

    def under(bone: str, share: float, name: str, across: bool) -> None:
        i, n = number[bone], number[name]
        width, along, up = placing.frame[i].T
        at = round(min(share, 0.95) * (FINE - 1))
        drop = 0.5 * (shapes["height"][i, at] + shapes["height"][n, FINE // 2])
        middle = placing.origin[i] + along * share * shapes["length"][i] - up * (drop + 0.8 * person.size)
        middle = middle + width * shapes["mid_width"][i, at] + person.place[n] * person.size
        axis, hint = (width, along) if across else (along, width)
        placing.put(name, middle - axis * 0.5 * shapes["length"][n], bone_frame(axis, hint))

    under("proximal_phalanx_1", 0.97, "hallux_interphalangeal_sesamoid", True)
    under("metatarsal_2", 0.88, "second_sesamoid", False)
    under("metatarsal_5", 0.88, "fifth_sesamoid", False)


def _put_leg(placing: _Placing) -> None:
    """Tibia and fibula over the ankle; the talus follows the leg by a part of its flexion."""
    posture, size, i = placing.posture, placing.person.size, placing.number["talus"]
    origin, frame = placing.origin, placing.frame
    tilt = Rotation.from_euler("ZX", [posture.leg_turn, posture.ankle_flexion], degrees=True)
    part = Rotation.from_euler("X", 0.35 * posture.ankle_flexion, degrees=True)
    head = origin[i] + frame[i][:, 1] * placing.length[i]
    frame[i] = part.apply(frame[i].T).T
    origin[i] = head - frame[i][:, 1] * placing.length[i]
    ankle = origin[i] + frame[i] @ np.array([0, 18.0, 15.0]) * size
    for name, offset_rest in (
        ("tibia", np.array([0.0, 0.0, 3.0])),
        ("fibula", np.array([25.0, -6.0, -22.0])),
    ):
        axis = tilt.apply(np.array([0.0, 0.0, 1.0]))
        placing.put(name, ankle + tilt.apply(offset_rest * size), bone_frame(axis, tilt.apply(LATERAL)))

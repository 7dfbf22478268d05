"""Parts of the body that are not feet (``other_parts.yaml``): what the locator and the gates must turn down.

A part is a ``Subject`` like a foot, with the same number of bones and skin tubes, so both are projected together.
Its bones sit in the places of foot bones, its landmarks mean nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt
from pydantic import Field, model_validator
from scipy.spatial.transform import Rotation

from raysplay.configs.load import Config, load
from raysplay.synthetic_data.anatomy.person import BUMPS, Person, draw_person, spread_of
from raysplay.synthetic_data.anatomy.pose import LATERAL, PosedFoot, bone_frame, heading_vector, pose
from raysplay.synthetic_data.anatomy.posture import draw_posture
from raysplay.synthetic_data.anatomy.rest import (
    FINE,
    STATIONS,
    Bump,
    Cap,
    Cortex,
    Profile,
    bone_index,
    bone_names,
    fine_profile,
)
from raysplay.synthetic_data.anatomy.soft_tissue import RINGS, SPOKES, TUBES, skin_tube, soft_tissue
from raysplay.synthetic_data.projection.beam import Beam
from raysplay.synthetic_data.projection.shadow import Subject
from raysplay.synthetic_data.settings import GeneratorSettings, PersonSettings, generator_settings

FloatArray = npt.NDArray[np.float64]
Vector = tuple[float, float, float]

OTHER_PARTS: tuple[str, ...] = (
    "hand",
    "wrist",
    "forearm",
    "elbow",
    "knee",
    "ankle",
    "leg",
    "shoulder",
    "hip",
)
"""Kinds of :func:`draw_other_part`."""

CENTRE = (10.0, -75.0)
"""Where the part lies on the detector, in mm: about where the middle of a foot would be."""

ZERO: Profile = (0.0,) * 10
FORWARD = np.array([0.0, 1.0, 0.0])
UP = np.array([0.0, 0.0, 1.0])

LEG_SLOTS = {
    "tibia": "tibia",
    "fibula": "fibula",
    "malleolus": "distal_phalanx_5",
    "femur": "lateral_sesamoid",
    "patella": "medial_sesamoid",
}
"""Foot bones whose places the bones of the leg take; the rest of the foot stays."""

SKELETON = {
    **dict.fromkeys(("hand", "wrist", "forearm", "elbow"), "arm"),
    **dict.fromkeys(("knee", "ankle", "leg"), "leg"),
    "shoulder": "shoulder",
    "hip": "hip",
}

# Ways a part is laid: share, mean and sd of the roll about its long axis in degrees. Half a turn shows a right
# part as a left one, nearly.
LAID: dict[str, tuple[tuple[float, float, float], ...]] = {
    "hand": ((0.55, 0, 5), (0.2, 180, 5), (0.1, 42, 7), (0.1, -42, 7), (0.05, 90, 5)),
    "wrist": ((0.35, 0, 6), (0.2, 180, 6), (0.1, 40, 7), (0.1, -40, 7), (0.25, 90, 6)),
    "forearm": ((0.3, 0, 8), (0.3, 180, 8), (0.2, 90, 8), (0.2, -90, 8)),
    "elbow": ((0.25, 0, 8), (0.25, 180, 8), (0.25, 90, 6), (0.25, -90, 6)),
    "knee": ((0.6, 0, 6), (0.2, 90, 6), (0.2, -90, 6)),
    "ankle": ((0.45, 0, 6), (0.3, -18, 5), (0.1, 18, 5), (0.15, -42, 6)),
    "leg": ((0.6, 0, 10), (0.2, 90, 8), (0.2, -90, 8)),
    "shoulder": ((1.0, 0, 14),),
    "hip": ((1.0, 0, 10),),
}


# Thick parts are taken with harder radiation. Films are made here with one hardness for all, so the bones of these
# parts count less and their skin is thinner along the beam, by this factor.
PENETRATION = {
    "hand": 1.0,
    "wrist": 0.9,
    "forearm": 0.75,
    "elbow": 0.5,
    "knee": 0.36,
    "ankle": 0.42,
    "leg": 0.45,
    "shoulder": 0.48,
    "hip": 0.34,
}


class Form(Config):
    """Shape of a kind of bone; see the heads of ``other_parts.yaml`` and ``bones.yaml``."""

    length: float = Field(gt=0)
    width: Profile
    height: Profile
    mid_width: Profile = ZERO
    mid_height: Profile = ZERO
    wedge: Vector = (0.0, 0.0, 0.0)
    squareness: Vector = (2.2, 2.2, 2.2)
    proximal_cap: Cap
    distal_cap: Cap
    bumps: tuple[Bump, ...] = Field(default=(), max_length=BUMPS)
    cortex: Cortex


class Member(Config):
    """A bone of a skeleton: its form, factors of length, width and height, and its place if that is fixed."""

    form: str
    factors: Vector = (1.0, 1.0, 1.0)
    centre: Vector | None = None
    base: Vector | None = None
    tip: Vector | None = None
    axis: Vector = (0.0, 1.0, 0.0)
    width_axis: Vector = (1.0, 0.0, 0.0)


class _PartsFile(Config):
    fields: dict[str, tuple[float, float]]
    forms: dict[str, Form]
    skeletons: dict[str, dict[str, Member]]

    @model_validator(mode="after")
    def _complete(self) -> _PartsFile:
        if set(self.fields) != set(OTHER_PARTS):
            raise ValueError("fields must name every part once")
        for part, members in self.skeletons.items():
            if len(members) > len(bone_names()):
                raise ValueError(f"{part}: more than {len(bone_names())} bones")
            for name, member in members.items():
                if member.form not in self.forms:
                    raise ValueError(f"{part}, {name}: unknown form {member.form!r}")
        return self


@lru_cache(maxsize=1)
def _parts() -> _PartsFile:
    return load(_PartsFile, Path(__file__).parent / "other_parts.yaml")


def part_field(kind: str) -> tuple[float, float]:
    """Width and height in mm of the usual film of a part, around :data:`CENTRE`; KeyError if unknown.

    Long bones are cut off blunt outside it.
    """
    return _parts().fields[kind]


@dataclass
class _Limb:
    """Bones and skin of a part before it is laid on the detector. ``aim`` is what the beam centres on."""

    shapes: dict[str, npt.NDArray[np.float32]]
    origin: FloatArray
    frame: FloatArray
    present: npt.NDArray[np.bool_]
    skin: FloatArray
    aim: FloatArray


def _grow(
    rng: np.random.Generator, members: Sequence[Member], person: Person, settings: PersonSettings
) -> dict[str, npt.NDArray[np.float32]]:
    """Shape arrays of some bones with the variation that ``draw_person`` gives to the bones of a foot."""
    settings = spread_of(rng, settings, 0.5)
    forms = [_parts().forms[m.form] for m in members]
    factors = np.array([m.factors for m in members])
    count, size = len(forms), person.size

    def waves() -> FloatArray:
        return 1.0 + settings.section * fine_profile(rng.standard_normal((count, STATIONS))).astype(float)

    def three(values: list[Vector]) -> FloatArray:
        return np.stack([np.interp(np.linspace(0, 1, FINE), [0.0, 0.5, 1.0], v) for v in values])

    girth = np.clip(rng.normal(1.0, settings.bone_girth[1]), 0.75, 1.4) * rng.normal(1, 0.05, (count, 1)) * size
    length = np.array([f.length for f in forms]) * factors[:, 0] * size
    length *= rng.normal(*settings.bone_length, count)
    width = fine_profile([f.width for f in forms]) * factors[:, 1:2] * girth * waves()
    height = fine_profile([f.height for f in forms]) * factors[:, 2:3] * girth * waves()
    bow = np.sin(np.pi * np.linspace(0, 1, FINE)) * length[:, None]
    caps = np.array(
        [
            [[c.closing, c.length, c.dish, c.saddle, np.radians(c.tilt)] for c in (f.proximal_cap, f.distal_cap)]
            for f in forms
        ]
    )
    caps[..., 0] = np.clip(1 + (caps[..., 0] - 1) * np.exp(rng.normal(0, settings.cap_closing, (count, 2))), 1.6, 9)
    caps[..., 1] = np.clip(caps[..., 1] * np.exp(rng.normal(0, 0.15, (count, 2))), 0.008, 0.3)
    caps[..., 2:4] *= (size * np.exp(rng.normal(0, 0.15, (count, 2))))[..., None]
    caps[..., 4] += np.radians(rng.normal(0, settings.cap_tilt, (count, 2)))
    bumps = np.zeros((count, BUMPS, 5))
    bumps[:, :, 2:4] = 1.0
    for n, form in enumerate(forms):
        for k, b in enumerate(form.bumps):
            bumps[n, k] = b.at, np.radians(b.angle), b.spread_at, np.radians(b.spread_angle), b.height
    bumps[..., 4] *= size * np.exp(rng.normal(0, 0.5 * settings.bump, (count, BUMPS)))
    bumps[..., 1] += np.radians(rng.normal(0, 8, (count, BUMPS)))
    shell = np.array([[f.cortex.middle, f.cortex.end] for f in forms])
    shell *= size * settings.cortex[0] * np.exp(rng.normal(0, settings.cortex[1]))
    ripple = rng.standard_normal((count, 4, 6)) * settings.relief / np.array([1.0, 1.2, 1.6, 2.2])[:, None]
    shapes = {
        "length": length,
        "width": width,
        "height": height,
        "mid_width": fine_profile([f.mid_width for f in forms]) * size + rng.normal(0, settings.bow, (count, 1)) * bow,
        "mid_height": fine_profile([f.mid_height for f in forms]) * size
        + rng.normal(0, settings.bow, (count, 1)) * bow,
        "wedge": three([f.wedge for f in forms]) + rng.normal(0, 0.06, (count, 1)),
        "squareness": np.clip(three([f.squareness for f in forms]) * rng.normal(1, 0.08, (count, 1)), 1.7, 4.5),
        "caps": caps,
        "bumps": bumps,
        "ripple": ripple,
        "cortex": np.maximum(shell * np.exp(rng.normal(0, 0.1, shell.shape)), 0.25),
        "plate": np.tile([0.5, 0.0, 1.0, 0.0], (count, 1)),
    }
    return {k: np.asarray(v, np.float32) for k, v in shapes.items()}


def _assemble(
    rng: np.random.Generator, skeleton: str, person: Person, settings: PersonSettings
) -> tuple[_Limb, dict[str, int]]:
    """The bones of a skeleton at rest, in the first places of the bone axis, without skin."""
    members = _parts().skeletons[skeleton]
    grown = _grow(rng, list(members.values()), person, settings)
    shapes = {k: v.copy() for k, v in person.shapes.items()}
    count = len(members)
    for key, value in grown.items():
        shapes[key][:count] = value
    origin, frame = np.zeros((len(bone_names()), 3)), np.tile(np.eye(3), (len(bone_names()), 1, 1))
    for n, member in enumerate(members.values()):
        axes = bone_frame(np.array(member.axis), np.array(member.width_axis))
        frame[n] = axes
        if member.base is not None:
            origin[n] = np.array(member.base) * person.size
        elif member.centre is not None:
            origin[n] = np.array(member.centre) * person.size - 0.5 * axes[:, 1] * shapes["length"][n]
        elif member.tip is not None:
            origin[n] = np.array(member.tip) * person.size - axes[:, 1] * shapes["length"][n]
        origin[n] += 0.5 * person.place[n]
    present = np.arange(len(bone_names())) < count
    skin = np.zeros((TUBES, RINGS, SPOKES, 3))
    return _Limb(shapes, origin, frame, present, skin, np.zeros(3)), {name: n for n, name in enumerate(members)}


def _turn(limb: _Limb, which: Sequence[int], tubes: Sequence[int], turn: Rotation, about: FloatArray) -> None:
    """Turn some bones and tubes of a limb about a point, in place."""
    for n in which:
        limb.origin[n] = about + turn.apply(limb.origin[n] - about)
        limb.frame[n] = turn.as_matrix() @ limb.frame[n]
    for t in tubes:
        limb.skin[t] = about + (limb.skin[t] - about) @ turn.as_matrix().T


def _straight(
    start: FloatArray,
    way: FloatArray,
    places: Sequence[float],
    wide: Sequence[float],
    tall: Sequence[float],
    across: FloatArray,
    scale: tuple[float, float],
) -> FloatArray:
    """A skin tube along a line; half widths and half heights at ``places`` mm, scaled for length and girth."""
    up = np.cross(across, way)
    centre = start + way * (np.array(places) * scale[0])[:, None]
    return skin_tube(centre, np.array(wide) * scale[1], np.array(tall) * scale[1], across, up, 2.15)


def _fingers(rng: np.random.Generator, limb: _Limb, at: dict[str, int], size: float, plump: float) -> None:
    """Metacarpals and fingers with their skin."""
    length = limb.shapes["length"].astype(float)
    closed = rng.random() < 0.35
    # Fingers side by side run parallel; spread fingers go on where their metacarpals point.
    spread = rng.uniform(0.2, 0.5) if closed else rng.uniform(0.7, 2.0)
    curl = abs(rng.normal(0, 7)) if rng.random() < 0.7 else rng.uniform(10, 30)
    abduction = rng.uniform(18, 58)
    rays = {1: -abduction, 2: -9.5, 3: -0.5, 4: 8.5, 5: 17.5}
    bearings = {ray: value + rng.normal(0, 1.0) for ray, value in rays.items()}

    for ray in range(1, 6):
        chain = [f"metacarpal_{ray}", f"proximal_phalanx_{ray}", f"middle_phalanx_{ray}", f"distal_phalanx_{ray}"]
        chain = [name for name in chain if name in at]
        thumb = ray == 1
        bearing = bearings[ray]
        roll = rng.uniform(25, 75) if thumb else {2: -4.0, 3: 0.0, 4: 5.0, 5: 12.0}[ray]
        fall = rng.normal(4, 5)
        base = limb.origin[at[chain[0]]]
        points, heads = [], []
        for k, name in enumerate(chain):
            n = at[name]
            if k == 1:
                bearing = bearing * (0.5 + 0.25 * spread) if thumb else bearing * spread + rng.normal(0, 1.2)
            elif k > 1:
                bearing += rng.normal(0, 2.5 if thumb else 1.8)
            if k > 0:
                fall += abs(rng.normal(curl * (0.4 if thumb else (0, 0.5, 1.2, 0.8)[k]), 4)) - 2.5
            way = heading_vector(bearing, fall)
            limb.origin[n], limb.frame[n] = base, bone_frame(way, LATERAL, roll)
            points.append((base, way, length[n]))
            gap = (rng.uniform(0.9, 1.9) if k == 0 else rng.uniform(0.6, 1.3)) * size
            heads.append(base + way * length[n])
            base = heads[-1] + way * gap
        tip, way = heads[-1], points[-1][1]
        stations = [points[0][0] + points[0][1] * length[at[chain[0]]] * (0.15 if thumb else 0.8)]
        stations += [start + w * 0.35 * reach for start, w, reach in points[1:]]
        stations.insert(2, points[1][0] + points[1][1] * points[1][2])
        stations += [tip, tip + way * rng.uniform(3.5, 6) * size]
        girth = {1: 1.15, 2: 1.0, 3: 1.0, 4: 0.95, 5: 0.84}[ray] * size * plump
        wide = np.interp(np.linspace(0, 1, len(stations)), [0, 0.3, 0.6, 1], [10.5, 10.5, 9, 6.8]) * girth
        line = stations[-1] - stations[0]
        axes = bone_frame(line, np.array([line[1], -line[0], 0.0]))
        limb.skin[ray] = skin_tube(np.array(stations), wide, wide * 0.92, axes[:, 0], axes[:, 2], 2.1)


def _arm(rng: np.random.Generator, kind: str, elbow_bend: float, person: Person, settings: PersonSettings) -> _Limb:
    """A right hand on its palm with the forearm and the elbow (frame: see ``other_parts.yaml``)."""
    limb, at = _assemble(rng, "arm", person, settings)
    size, plump = person.size, rng.normal(1.0, 0.09)
    # Both bones of the forearm are long or short together.
    radius, ulna, humerus = at["radius"], at["ulna"], at["humerus"]
    length = limb.shapes["length"]
    change = length[ulna] * (240 / 262) - length[radius]
    length[radius] += change
    limb.origin[radius] -= limb.frame[radius][:, 1] * change
    elbow = np.array([4.0 * size, limb.origin[ulna][1] + 8 * size, 6.0 * size])
    limb.origin[humerus] = elbow + np.array([0.0, 9.0, -2.0]) * size
    near = kind in ("forearm", "elbow")
    hand = [n for name, n in at.items() if name not in ("radius", "ulna", "humerus")]
    _fingers(rng, limb, at, size, plump)
    palm = np.array([2.0, 0.0, 13.0]) * size
    limb.skin[0] = _straight(
        palm, FORWARD, (-42, -12, 15, 45, 78, 98), (28, 31, 37, 42, 43, 36), (19, 20, 20, 17, 14, 10), LATERAL,
        (size, size * plump),
    )  # fmt: skip
    limb.skin[6] = _straight(
        np.array([4.0, 0.0, 13.0]) * size, -FORWARD, (8, 40, 85, 150, 215, 260, 290, 330),
        (24, 30, 34, 41, 46, 45, 43, 38), (16, 22, 27, 34, 38, 40, 38, 32), LATERAL, (size, size * plump),
    )  # fmt: skip
    wrist = np.array([0.0, -12.0, 14.0]) * size
    bend = Rotation.from_euler("ZX", [rng.normal(0, 8), rng.normal(0, 5)], degrees=True)
    _turn(limb, hand, range(6), bend, wrist)
    if near:
        limb.skin[1] = limb.skin[0]  # the palm in place of the thumb: the hand is at the edge of the film
        limb.skin[0] = _straight(
            elbow + 4 * size * UP, -FORWARD, (-40, -10, 30, 90, 170, 260), (34, 42, 43, 42, 46, 50),
            (26, 36, 39, 44, 48, 50), LATERAL, (size, size * plump),
        )  # fmt: skip
        _turn(limb, [humerus], [0], Rotation.from_euler("x", elbow_bend, degrees=True), elbow)
    else:
        limb.present[humerus] = False
    if kind == "elbow":
        limb.present[hand] = False
        limb.skin[1:6] = 0.0
    middle = {"hand": 62.0, "wrist": -12.0, "forearm": -150.0}
    limb.aim = np.array([2.0, middle[kind], 14.0]) * size if kind in middle else elbow
    return limb


def _bend(rng: np.random.Generator, kind: str, lateral: bool) -> float:
    """Flexion of elbow or knee in degrees: a joint is bent for a view from the side."""
    bent = {"elbow": (0.8, 60, 105), "forearm": (0.6, 60, 95), "knee": (0.75, 15, 75), "leg": (0.4, 5, 40)}
    share, low, high = bent.get(kind, (0.0, 0.0, 0.0))
    return float(rng.uniform(low, high) if lateral and rng.random() < share else rng.uniform(0, 8))


def _leg(rng: np.random.Generator, kind: str, bend: float, person: Person, settings: GeneratorSettings) -> _Limb:
    """A right leg seen from the front, foot towards the viewer: x medial, y up, z forward."""
    posture = replace(
        draw_posture(rng, settings.posture, "dp"),
        ankle_flexion=float(rng.normal(-6, 10)),
        leg_turn=float(rng.normal(0, 5)),
        foot_pitch=0.0,
        foot_roll=0.0,
        leg=True,
    )
    foot = pose(person, posture)
    members = _parts().skeletons["leg"]
    grown = _grow(rng, list(members.values()), person, settings.person)
    at = {name: bone_index(slot) for name, slot in LEG_SLOTS.items()}
    shapes = {k: v.copy() for k, v in person.shapes.items()}
    for key, value in grown.items():
        shapes[key][[at[name] for name in members]] = value
    plump = rng.normal(1.0, 0.09)
    skin = soft_tissue(rng, person, foot)
    origin, frame, present = foot.origin.copy(), foot.frame.copy(), foot.present.copy()
    joints = _lay_leg(rng, origin, frame, shapes["length"], at, bend, person.size)
    thigh, skin[6] = _leg_skin(joints, person.size, plump)
    absent = [n for n in range(len(bone_names())) if n not in at.values()] + [at["malleolus"]]
    if kind == "knee":
        present[absent] = False
        skin[:6] = 0.0
        skin[0] = thigh
    elif kind == "ankle":
        present[[at["femur"], at["patella"]]] = False
    else:
        skin[5] = thigh  # the little toe lies behind the others
    ankle, size = joints.ankle, person.size
    aim = {"knee": joints.knee, "ankle": ankle + 10 * size * joints.up, "leg": 0.5 * (ankle + joints.shin)}[kind]
    to_front = np.array([[-1.0, 0, 0], [0, 0, 1.0], [0, 1.0, 0]])
    return _Limb(shapes, origin @ to_front.T, to_front @ frame, present, skin @ to_front.T, to_front @ aim)


@dataclass(frozen=True)
class _LegJoints:
    """Points of a leg in mm and its directions: ankle, upper end of the shin, knee, condyles; up, medial, front, and
    up along the thigh."""

    ankle: FloatArray
    shin: FloatArray
    knee: FloatArray
    condyles: FloatArray
    up: FloatArray
    medial: FloatArray
    front: FloatArray
    thigh: FloatArray


def _lay_leg(
    rng: np.random.Generator,
    origin: FloatArray,
    frame: FloatArray,
    length: npt.NDArray[np.float32],
    at: dict[str, int],
    bend: float,
    size: float,
) -> _LegJoints:
    """Lay shin, thigh and kneecap into ``origin`` (N, 3) and ``frame`` (N, 3, 3), the knee bent by ``bend`` degrees."""
    tibia = at["tibia"]
    up = frame[tibia][:, 1].copy()
    axes = bone_frame(up, -frame[tibia][:, 0])  # width medial, height forward
    medial, front = axes[:, 0], axes[:, 2]
    origin[tibia] -= 3.5 * size * up
    ankle, knee = origin[tibia].copy(), origin[tibia] + up * length[tibia]
    joint = knee + up * max(8.5, rng.normal(11, 1.2)) * size
    frame[[tibia, at["fibula"]]] = axes
    origin[at["malleolus"]] = ankle + (17.5 * medial + 16 * up - 1 * front) * size
    frame[at["malleolus"]] = bone_frame(-up + 0.08 * medial, medial)
    turn = Rotation.from_rotvec(np.radians(bend) * -medial)
    valgus = Rotation.from_rotvec(np.radians(rng.normal(5, 2.5)) * -front)
    condyles = joint + (22 * up - 10 * front) * size
    femur = turn * valgus
    frame[at["femur"]] = femur.as_matrix() @ axes
    origin[at["femur"]] = condyles + turn.apply(joint - condyles)
    forward, along = turn.apply(front), turn.apply(up)
    centre = condyles + (forward * 34 + along * rng.normal(14, 5) + medial * rng.normal(0, 2)) * size
    frame[at["patella"]] = bone_frame(along, turn.apply(medial))
    origin[at["patella"]] = centre - 0.5 * length[at["patella"]] * along
    return _LegJoints(ankle, knee, joint, condyles, up, medial, front, femur.apply(up))


def _leg_skin(joints: _LegJoints, size: float, plump: float) -> tuple[FloatArray, FloatArray]:
    """Skin of the thigh and of the lower leg, each a tube of rings, mm."""
    medial, front = joints.medial, joints.front
    thigh = _straight(
        joints.condyles - 6 * size * front, joints.thigh, (-100, -40, 10, 60, 130, 210, 300),
        (50, 55, 57, 58, 66, 76, 80), (40, 52, 58, 60, 66, 74, 78), -medial, (size, size * plump),
    )  # fmt: skip
    lower = _straight(
        joints.ankle - 6 * size * front - 8 * size * medial, joints.up, (-50, -5, 60, 140, 230, 300, 345, 388),
        (30, 37, 35, 43, 56, 58, 56, 54), (32, 42, 40, 48, 60, 60, 58, 52), -medial, (size, size * plump),
    )  # fmt: skip
    return thigh, lower


def _ball(rng: np.random.Generator, kind: str, person: Person, settings: PersonSettings) -> _Limb:
    """A shoulder or a hip seen from the front: a long bone with its ball in a socket."""
    limb, at = _assemble(rng, kind, person, settings)
    size, plump = person.size, rng.normal(1.0, 0.1)
    moving = [n for name, n in at.items() if name.startswith(("humerus", "femur"))]
    down = -FORWARD
    if kind == "shoulder":
        limb.skin[0] = _straight(
            np.array([4.0, 40.0, 0]) * size, down, (-24, 10, 60, 130, 210, 300), (30, 44, 48, 46, 44, 42),
            (30, 42, 46, 44, 42, 40), LATERAL, (size, size * plump),
        )  # fmt: skip
        trunk, spans = np.array([-118.0, 110.0, 0.0]), (-40, 0, 40, 90, 200, 300)
        limb.skin[6] = _straight(
            trunk * size, down, spans, (50, 62, 104, 108, 90, 84), (34, 40, 48, 52, 54, 54), LATERAL,
            (size, size * plump),
        )  # fmt: skip
        turn = Rotation.from_euler("ZY", [abs(rng.normal(0, 22)), rng.normal(0, 25)], degrees=True)
        limb.aim = np.array([-36.0, -36.0, 0.0]) * size
    else:
        limb.skin[0] = _straight(
            np.array([20.0, 20.0, 0]) * size, down, (-40, 0, 60, 140, 220, 300), (60, 78, 82, 80, 74, 70),
            (44, 54, 56, 56, 54, 52), LATERAL, (size, size * plump),
        )  # fmt: skip
        trunk, spans = np.array([-60.0, 210.0, 0.0]), (-40, 30, 110, 190, 250, 310)
        limb.skin[6] = _straight(
            trunk * size, down, spans, (108, 120, 132, 138, 120, 80), (52, 56, 58, 58, 54, 40), LATERAL,
            (size, size * plump),
        )  # fmt: skip
        turn = Rotation.from_euler("ZY", [rng.normal(0, 7), rng.normal(0, 14)], degrees=True)
        limb.aim = np.array([-14.0, -28.0, 0.0]) * size
    _turn(limb, moving, [0], turn, np.zeros(3))
    return limb


def draw_other_part(rng_seed: int | Sequence[int], kind: str, settings: GeneratorSettings | None = None) -> Subject:
    """Draw a part of the body that is no foot, with its beam. The same seed gives the same part.

    The part lies around :data:`CENTRE` over the detector, its long axis near y; a mirrored film shows the other
    side. Every array has the shape it has for a foot; bones that the part lacks are absent.

    Raises
    ------
    ValueError
        If ``kind`` is not one of :data:`OTHER_PARTS`.
    """
    if kind not in OTHER_PARTS:
        raise ValueError(f"unknown part {kind!r}: one of {', '.join(OTHER_PARTS)}")
    settings = settings or generator_settings()
    rng = np.random.default_rng(rng_seed)
    person = draw_person(rng, settings.person)
    ways = LAID[kind]
    _, mean, sd = ways[rng.choice(len(ways), p=[way[0] for way in ways])]
    bend = _bend(rng, kind, abs(mean) == 90)
    if SKELETON[kind] == "arm":
        limb = _arm(rng, kind, bend, person, settings.person)
    elif SKELETON[kind] == "leg":
        limb = _leg(rng, kind, bend, person, settings)
    else:
        limb = _ball(rng, kind, person, settings.person)

    angles = [rng.normal(0, 7), rng.normal(0, 3.5), rng.normal(mean, sd)]
    turn = Rotation.from_euler("ZXY", angles, degrees=True)
    every = range(len(bone_names()))
    _turn(limb, every, range(TUBES), turn, limb.aim)
    used = np.ptp(limb.skin.reshape(TUBES, -1, 3), axis=1).max(1) > 0
    # The lowest skin touches the detector, nearly.
    lowest = limb.skin[used][..., 2].min()
    shift = np.array([CENTRE[0] + rng.normal(0, 6), CENTRE[1] + rng.normal(0, 8), 0.0])
    shift[:2] -= limb.aim[:2]
    shift[2] = rng.uniform(0, 6) - lowest
    limb.origin += shift
    limb.skin += shift
    # What the part lacks is kept where the part is, so that no extent taken over all of it is stretched.
    middle = limb.aim + shift
    limb.origin[~limb.present] = middle
    limb.skin[~used] = middle
    penetration = PENETRATION[kind] * float(np.exp(rng.normal(0, 0.12)))
    limb.skin[..., 2] = middle[2] + penetration * (limb.skin[..., 2] - middle[2])
    exposure = settings.exposure
    short = rng.random() < exposure.short_distance_share
    beam = Beam(
        distance=float(rng.uniform(*(exposure.short_distance if short else exposure.distance))),
        tilt=float(rng.normal(0, 3) if rng.random() < 0.8 else rng.uniform(*exposure.tilt)),
        side_tilt=float(rng.normal(*exposure.side_tilt)),
        x=float(rng.normal(CENTRE[0], 0.6 * exposure.centring)),
        y=float(rng.normal(CENTRE[1], 0.6 * exposure.centring)),
        gap=float(rng.uniform(*exposure.gap)),
    )
    density = np.exp(rng.normal(0, 0.12, len(bone_names()))) * np.exp(rng.normal(0, 0.15)) * penetration
    posed = PosedFoot(limb.origin, limb.frame, limb.present, limb.present, np.eye(3), np.zeros(3))
    return Subject(replace(person, shapes=limb.shapes), posed, limb.skin, beam, density)

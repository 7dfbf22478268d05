"""Skin outline as tubes: the body of the foot, a sleeve round every toe, the leg."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from raysplay.synthetic_data.anatomy.person import Person
from raysplay.synthetic_data.anatomy.pose import PosedFoot
from raysplay.synthetic_data.anatomy.rest import bone_index

FloatArray = npt.NDArray[np.float64]

RINGS, SPOKES = 26, 24
TUBES = 7
"""Body, five toes, leg."""

LAYER_OF_TUBE = (0, 1, 2, 1, 2, 1, 3)
"""Tubes of one layer never overlap; overlapping layers are joined, not added (see ``film/formation.py``)."""


SWOLLEN_SHARE, SWOLLEN = 0.18, (1.2, 2.1)
"""Feet with thick soft parts, and how many times as thick; this project's choice, no source."""


@lru_cache(maxsize=1)
def tube_triangles() -> Tensor:
    """Vertex numbers of one tube, shape (T, 3); normals point inward as those of ``loft.triangles``."""
    ring = torch.arange(RINGS - 1)[:, None] * SPOKES
    spoke = torch.arange(SPOKES)[None, :]
    a, b = ring + spoke, ring + (spoke + 1) % SPOKES
    c, d = a + SPOKES, b + SPOKES
    return torch.cat([torch.stack([a, b, d], -1).reshape(-1, 3), torch.stack([a, d, c], -1).reshape(-1, 3)])


def skin_tube(
    centre: FloatArray,
    width: FloatArray,
    height: FloatArray,
    across: FloatArray,
    up: FloatArray,
    square: float,
) -> FloatArray:
    """Rings round a centre line given at a few stations; ends close like half an ellipsoid.

    Parameters
    ----------
    centre : ndarray, shape (K, 3)
        Stations of the line, mm.
    width, height : ndarray, shape (K,)
        Half axes at the stations, mm.
    across, up : ndarray, shape (3,)
        Directions of width and height.
    square : float
        Exponent of the section: 2 is an ellipse, more is squarer.

    Returns
    -------
    ndarray, shape (RINGS, SPOKES, 3)
        mm.
    """
    stations = len(centre)
    at = np.linspace(0, 1, stations)
    quarter = np.linspace(0, np.pi / 2, 6)
    ends = 0.12
    along = np.concatenate(
        [
            ends * (1 - np.sin(quarter[::-1])),
            np.linspace(ends, 1 - ends, RINGS - 12),
            1 - ends * (1 - np.sin(quarter)),
        ]
    )
    closing = np.concatenate([np.cos(quarter[::-1]), np.ones(RINGS - 12), np.cos(quarter)]) ** 0.8

    def read(values: FloatArray) -> FloatArray:
        return np.stack([np.interp(along, at, column) for column in np.atleast_2d(values.T)], axis=-1)

    line, half_w, half_h = read(centre), read(width[:, None])[:, 0], read(height[:, None])[:, 0]
    for _ in range(3):  # round the kinks of the piecewise linear line
        line[1:-1] = 0.25 * line[:-2] + 0.5 * line[1:-1] + 0.25 * line[2:]
        half_w[1:-1] = 0.25 * half_w[:-2] + 0.5 * half_w[1:-1] + 0.25 * half_w[2:]
        half_h[1:-1] = 0.25 * half_h[:-2] + 0.5 * half_h[1:-1] + 0.25 * half_h[2:]
    theta = np.arange(SPOKES) * 2 * np.pi / SPOKES
    x = np.sign(np.cos(theta)) * np.abs(np.cos(theta)) ** (2 / square)
    z = np.sign(np.sin(theta)) * np.abs(np.sin(theta)) ** (2 / square)
    return (
        line[:, None]
        + (half_w * closing)[:, None, None] * x[None, :, None] * across
        + (half_h * closing)[:, None, None] * z[None, :, None] * up
    )


X_AXIS, Z_AXIS = np.array([1.0, 0, 0]), np.array([0, 0, 1.0])


@dataclass(frozen=True)
class _Unturned:
    """A posed foot before it was pitched and rolled, and how thick its skin lies.

    Attributes
    ----------
    foot : PosedFoot
    origin, axis, tip : ndarray, shape (N, 3)
        Base, direction and far end of every bone, mm.
    length : ndarray, shape (N,)
        Of every bone, mm.
    size, plump : float
        Factors of all distances from the bones, and of those across the forefoot, toes and leg.
    """

    foot: PosedFoot
    origin: FloatArray
    axis: FloatArray
    tip: FloatArray
    length: FloatArray
    size: float
    plump: float

    def at(self, name: str, share: float) -> FloatArray:
        """Point of a bone at a share of its length."""
        i = bone_index(name)
        place: FloatArray = self.origin[i] + self.axis[i] * self.length[i] * share
        return place

    @property
    def outer_rays(self) -> tuple[str, str]:
        """First and last metatarsal that is there."""
        rays = [ray for ray in range(1, 6) if self.foot.present[bone_index(f"metatarsal_{ray}")]] or [1, 5]
        return f"metatarsal_{rays[0]}", f"metatarsal_{rays[-1]}"


def soft_tissue(rng: np.random.Generator, person: Person, foot: PosedFoot, plump: float | None = None) -> FloatArray:
    """Skin of one posed foot.

    Parameters
    ----------
    rng : numpy.random.Generator
        For how thick the soft parts are.
    person : Person
    foot : PosedFoot
        The bones of ``person``, mm.
    plump : float, optional
        How many times as thick as usual the soft parts lie; drawn where it is left out.

    Returns
    -------
    ndarray, shape (TUBES, RINGS, SPOKES, 3)
        Points of the tubes in mm; the leg has no extent where absent, and a lost toe none of its own. Thicknesses
        are this project's choice, no source.
    """
    laid = _unturned(rng, person, foot)
    if plump is not None:
        laid = replace(laid, plump=plump)
    tubes = np.zeros((TUBES, RINGS, SPOKES, 3))
    tubes[0] = _body(laid)
    for ray in range(1, 6):
        tubes[ray] = _toe(laid, ray, tubes[0])
    tubes[:6] = foot.pivot + (tubes[:6] - foot.pivot) @ foot.turn.T
    if foot.present[bone_index("tibia")]:
        tubes[6] = _leg(foot, laid.size, laid.plump)
    return tubes


def _unturned(rng: np.random.Generator, person: Person, foot: PosedFoot) -> _Unturned:
    origin = (foot.origin - foot.pivot) @ foot.turn + foot.pivot
    axis = np.einsum("ij,nj->ni", foot.turn.T, foot.frame[:, :, 1])
    length = person.shapes["length"].astype(float)
    size = person.size * rng.normal(1.0, 0.06)
    plump = rng.normal(1.0, 0.14)
    # Swollen and heavy feet: thick soft parts that are no plaster.
    swollen = rng.random() < SWOLLEN_SHARE
    plump = rng.uniform(*SWOLLEN) if swollen else plump
    return _Unturned(foot, origin, axis, origin + axis * length[:, None], length, size, plump)


def _sections(laid: _Unturned) -> FloatArray:
    """Sections of the foot from heel to beyond the heads, (S, 5): distal, medial, lateral, lower and upper end, mm."""
    at, size, plump = laid.at, laid.size, laid.plump
    first_ray, last_ray = laid.outer_rays
    heel = at("calcaneus", 0.0)
    talus_top = at("talus", 0.4)[2] + 16 * size
    inner = [at(first_ray, s) for s in (0.0, 0.5, 0.9)]
    outer = [at(last_ray, s) for s in (0.1, 0.5, 0.9)]
    top = [at("metatarsal_2", s)[2] for s in (0.0, 0.5, 0.9)]
    sections = [
        (heel[1] - 4 * size, heel[0] - 22 * size, heel[0] + 22 * size, 0.0, 56 * size),
        (
            at("calcaneus", 0.35)[1],
            at("calcaneus", 0.35)[0] - 31 * size,
            at("calcaneus", 0.35)[0] + 29 * size,
            0.0,
            70 * size,
        ),
        (
            at("calcaneus", 0.8)[1],
            at("talus", 0.9)[0] - 24 * size,
            at("cuboid", 0.2)[0] + 22 * size,
            0.0,
            talus_top,
        ),
    ]
    for k, (m, o) in enumerate(zip(inner, outer, strict=True)):
        beyond = (15, 13, 16)[k] * size * plump
        sections.append(
            (
                0.55 * m[1] + 0.45 * o[1],
                m[0] - beyond,
                o[0] + (11, 10, 10)[k] * size * plump,
                (4, 3, 0)[k],
                top[k] + (16, 12, 14)[k] * size * max(1.0, plump),
            )
        )
    heads = 0.55 * laid.tip[bone_index(first_ray)] + 0.45 * laid.tip[bone_index(last_ray)]
    last = sections[-1]
    sections.append((heads[1] + 26 * size, last[1] + 5, last[2] - 3, 2.0, 20 * size))
    return np.array(sections)


def _body(laid: _Unturned) -> FloatArray:
    """Tube from heel to heads, its far end slanted as the row of heads is."""
    table = _sections(laid)
    centre = np.stack([0.5 * (table[:, 1] + table[:, 2]), table[:, 0], 0.5 * (table[:, 3] + table[:, 4])], axis=1)
    body = skin_tube(centre, 0.5 * (table[:, 2] - table[:, 1]), 0.5 * (table[:, 4] - table[:, 3]), X_AXIS, Z_AXIS, 2.4)
    head_1, head_5 = (laid.tip[bone_index(name)] for name in laid.outer_rays)
    slope = (head_5[1] - head_1[1]) / max(20.0, head_5[0] - head_1[0])
    share = np.clip((body[..., 1] - laid.at("calcaneus", 0.8)[1]) / 60, 0, 1)
    body[..., 1] += share * slope * (body[..., 0] - 0.5 * (head_1[0] + head_5[0])) * 0.9
    return body


def _toe(laid: _Unturned, ray: int, body: FloatArray) -> FloatArray:
    """Sleeve of a toe; after an amputation the skin ends over the last bone that is left, or lies in the ``body``."""
    at, size, plump, great = laid.at, laid.size, laid.plump, ray == 1
    stations = [(f"metatarsal_{ray}", 0.8), (f"proximal_phalanx_{ray}", 0.1), (f"proximal_phalanx_{ray}", 0.75)]
    stations += [(f"distal_phalanx_{ray}", 0.05), (f"distal_phalanx_{ray}", 0.8)]
    wide = np.array([12, 14.5, 13.5, 14.5, 13.5, 11] if great else [8.5, 10.2, 9.4, 9.4, 9.0, 7.4]) * size * plump
    tall = np.array([12, 12, 11, 10.5, 10, 8] if great else [8.5, 9, 8, 7.6, 7, 6]) * size * plump
    left = max((k for k, (bone, _) in enumerate(stations) if laid.foot.present[bone_index(bone)]), default=-1)
    if left < 0:
        return np.broadcast_to(body.mean((0, 1)), (RINGS, SPOKES, 3))
    last_bone = stations[left][0]
    end = at(last_bone, 1.0)
    direction = end - at(last_bone, 0.5)
    direction[2] *= 0.3
    tip_of_skin = end + direction / np.linalg.norm(direction) * (6.5 if great else 4.5) * size
    kept = [*range(left + 1), len(stations)]
    centre = np.array([*(at(bone, share) for bone, share in stations[: left + 1]), tip_of_skin])
    wide, tall = wide[kept], tall[kept]
    if ray == 5:
        wide = wide * 0.95
    direction = centre[-1] - centre[0]
    direction[2] = 0
    direction /= np.linalg.norm(direction)
    across = np.array([direction[1], -direction[0], 0.0])
    return skin_tube(centre, wide, tall, across, Z_AXIS, 2.1)


def _leg(foot: PosedFoot, size: float, plump: float) -> FloatArray:
    """Tube round tibia and fibula as they stand over the turned foot."""
    i = bone_index("tibia")
    start, way = foot.origin[i], foot.frame[i][:, 1]
    mid = 0.5 * (foot.origin[bone_index("fibula")] - start)
    mid -= way * (mid @ way)
    places = np.array([-30, 0, 40, 90, 150, 210, 270]) * size
    centre = (
        start + mid * 0.6 + way * places[:, None] - foot.frame[i][:, 2] * np.array([4, 6, 8, 11, 14, 16, 16])[:, None]
    )
    wide = np.array([26, 36, 34, 36, 43, 50, 54]) * size * plump
    tall = np.array([30, 42, 40, 42, 48, 54, 58]) * size * plump
    return skin_tube(centre, wide, tall, foot.frame[i][:, 0], foot.frame[i][:, 2], 2.1)

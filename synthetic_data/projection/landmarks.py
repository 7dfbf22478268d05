"""Landmarks of projected bones, by the definitions of ``configs/landmarks.yaml``.

Every point follows from the outer surfaces as the beam throws them on the detector: cortices are the outline of
one bone at a level of its projected length, tips are the furthest outline points, articular ends are rim points.
"""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.measure.bones import SHAFTS
from raysplay.synthetic_data.anatomy.loft import CAP_RINGS, RINGS
from raysplay.synthetic_data.anatomy.rest import bone_index

PROXIMAL, DISTAL = 0.30, 0.70
"""Levels of the shaft landmarks as shares of the projected bone length from the base."""

HEAD = RINGS * 3 // 5
"""First ring of the head of a metatarsal, where its sides are looked for."""

ALSO = {
    "C1M1_med": "metatarsal_1",
    "MC4_lat": "metatarsal_4",
    "MC5_lat": "metatarsal_5",
    "TN_med": "talus",
    "CC_lat": "calcaneus",
}
"""Landmarks of joints: the second bone without which they do not exist."""

LAST_BASE, LAST_TUFT = 0.35, 0.25
"""Parts of the last phalanx of the great toe within which the sides of its base and of its tuft are looked for."""

TALAR_HEAD, TALAR_NECK = 0.25, 0.38
"""How far the head of the talus reaches back from its end, and where its neck lies, as parts of its length."""

NEAR = 1.0
"""Points that lie within this distance of a line count as on it, mm."""

HEAD_RIM = RINGS - CAP_RINGS + 2
"""Ring where the joint surface of a round head ends: three quarters of the head are as wide."""


def _unit(v: Tensor) -> Tensor:
    length: Tensor = torch.linalg.vector_norm(v, dim=-1, keepdim=True)
    return v / length.clamp_min(1e-9)


def _lateral(axis: Tensor) -> Tensor:
    """Direction to the side of the fifth toe (detector frame: x lateral, y distal)."""
    return torch.stack([axis[..., 1], -axis[..., 0]], dim=-1)


def shaft_cortices(outline: Tensor) -> tuple[Tensor, Tensor]:
    """Outer cortices of one bone at 30 % and 70 % of its projected length.

    Parameters
    ----------
    outline : Tensor, shape (B, RINGS, SPOKES, 2)
        Projected surface.

    Returns
    -------
    points : Tensor, shape (B, 4, 2)
        Proximal medial, proximal lateral, distal medial, distal lateral.
    axis : Tensor, shape (B, 2)
        Unit vector through the two midpoints, pointing distally.
    """
    middle = outline.mean(2)
    axis = _unit(middle[:, RINGS - CAP_RINGS - 2] - middle[:, CAP_RINGS + 1])
    points = outline[:, :4, 0]
    for _ in range(4):
        side = _lateral(axis)
        along = torch.einsum("brsk,bk->brs", outline, axis)
        across = torch.einsum("brsk,bk->brs", outline, side)
        low, high = along.amin((1, 2)), along.amax((1, 2))
        cut = []
        for share in (PROXIMAL, DISTAL):
            level = (low + share * (high - low))[:, None, None]
            below = (along <= level).sum(1).clamp(1, RINGS - 1)
            index = below[:, None, :]
            a0, a1 = along.gather(1, index - 1)[:, 0], along.gather(1, index)[:, 0]
            c0, c1 = across.gather(1, index - 1)[:, 0], across.gather(1, index)[:, 0]
            share_cut = ((level[:, 0] - a0) / (a1 - a0).clamp_min(1e-6)).clamp(0, 1)
            at = c0 + share_cut * (c1 - c0)
            for extreme in (at.amin(1), at.amax(1)):
                cut.append(level[:, 0] * axis + extreme[:, None] * side)
        points = torch.stack(cut, dim=1)
        axis = _unit(points[:, 2:].mean(1) - points[:, :2].mean(1))
    return points, axis


def _extreme(outline: Tensor, direction: Tensor) -> Tensor:
    """Point of (B, R, S, 2) furthest along (B, 2)."""
    flat = outline.flatten(1, 2)
    best = torch.einsum("bnk,bk->bn", flat, direction).argmax(1)
    return flat[torch.arange(len(flat), device=flat.device), best]


def _corner(outline: Tensor, along: Tensor, across: Tensor) -> Tensor:
    """Corner of (B, R, S, 2) toward two directions (B, 2) at once: where the end of a bone turns into its side."""
    return _extreme(outline, along + across)


def _end_middle(outline: Tensor, axis: Tensor, part: float) -> Tensor:
    """Middle of the end of (B, R, S, 2) that lies toward ``axis`` (B, 2).

    Halfway between the sides of the last ``part`` of the bone's length, at the level of its end.
    """
    flat, side = outline.flatten(1, 2), _lateral(axis)
    along, across = torch.einsum("bnk,bk->bn", flat, axis), torch.einsum("bnk,bk->bn", flat, side)
    end = along.amax(1, keepdim=True)
    last = along >= end - part * (end - along.amin(1, keepdim=True))
    low = torch.where(last, across, torch.inf).amin(1, keepdim=True)
    high = torch.where(last, across, -torch.inf).amax(1, keepdim=True)
    return end * axis + 0.5 * (low + high) * side


def _extreme_within(outline: Tensor, direction: Tensor, axis: Tensor, limit: Tensor) -> Tensor:
    """Point of (B, R, S, 2) furthest along ``direction`` (B, 2) among those beyond ``limit`` (B, 2) along ``axis``."""
    flat = outline.flatten(1, 2)
    beyond = torch.einsum("bnk,bk->bn", flat - limit[:, None], axis) >= 0
    reach = torch.where(beyond, torch.einsum("bnk,bk->bn", flat, direction), -torch.inf)
    return flat[torch.arange(len(flat), device=flat.device), reach.argmax(1)]


def _level_middle(outline: Tensor, axis: Tensor, level: Tensor) -> Tensor:
    """Halfway between the sides of (B, R, S, 2) near the level of ``level`` (B, 2) along ``axis`` (B, 2)."""
    flat, side = outline.flatten(1, 2), _lateral(axis)
    away = torch.einsum("bnk,bk->bn", flat - level[:, None], axis)
    across = torch.einsum("bnk,bk->bn", flat - level[:, None], side)
    near = away.abs() <= NEAR
    low = torch.where(near, across, torch.inf).amin(1, keepdim=True)
    high = torch.where(near, across, -torch.inf).amax(1, keepdim=True)
    # Nothing near: a bone that is no foot's, or far too coarse.
    return level + 0.5 * torch.nan_to_num(low + high, nan=0.0) * side


def _reach(outline: Tensor, start: Tensor, direction: Tensor) -> Tensor:
    """Where the line from ``start`` (B, 2) along ``direction`` (B, 2) leaves (B, R, S, 2)."""
    away = outline.flatten(1, 2) - start[:, None]
    along, across = (torch.einsum("bnk,bk->bn", away, way) for way in (direction, _lateral(direction)))
    near = torch.where(across.abs() <= NEAR, along, -torch.inf)
    reach = near.amax(1, keepdim=True)
    return start + torch.where(torch.isfinite(reach), reach, 0.0) * direction


def _middle(outline: Tensor, axis: Tensor) -> Tensor:
    """Middle of the extents of (B, R, S, 2) along and across (B, 2)."""
    flat, centre = outline.flatten(1, 2), torch.zeros_like(axis)
    for way in (axis, _lateral(axis)):
        along = torch.einsum("bnk,bk->bn", flat, way)
        centre = centre + 0.5 * (along.amin(1) + along.amax(1))[:, None] * way
    return centre


def placed(whole: Tensor) -> Tensor:
    """Which landmarks exist, (B, L) bool, when the bones ``whole`` (B, N) are there from end to end."""
    schema = landmark_schema()
    exists = whole[:, [bone_index(bone) for bone in schema.bones]]
    for code, bone in ALSO.items():
        exists[:, schema.index(code)] &= whole[:, bone_index(bone)]
    return exists


def landmarks(outlines: Tensor, solid_centres: Tensor, present: Tensor, sampled: Tensor | None = None) -> Tensor:
    """All landmarks of projected right feet.

    Parameters
    ----------
    outlines : Tensor, shape (B, N, RINGS, SPOKES, 2)
        Outer surfaces on the detector in mm, x lateral and y distal.
    solid_centres : Tensor, shape (B, N, 2)
        Projected centre of the sphere that fits the head of each bone.
    present : Tensor of bool, shape (B, N)
        Bones that are there. Only a second half of the medial sesamoid is left out for it; points of other absent
        bones are given where the bones would be.
    sampled : Tensor of bool, shape (B,), optional
        Feet whose surfaces were sampled from a mesh: their rings tell nothing of where a joint surface ends.

    Returns
    -------
    Tensor, shape (B, L, 2)
        Schema order, mm on the detector.
    """
    feet = _Outlines(outlines)
    axes, found = _shafts(feet)
    found |= _first_metatarsal(feet, solid_centres, axes)
    if sampled is not None:
        found |= _sampled_head(feet["metatarsal_1"], axes["M1"], found, sampled)
    found |= _other_metatarsals(feet, solid_centres, axes)
    found |= _great_toe(feet, axes["PP"], found["M1_head_c"])
    found |= _sesamoids(feet, present, axes["M1"])
    found |= _talus(feet)
    found |= _tarsus(feet, axes, found)
    return torch.stack([found[code] for code in landmark_schema().codes], dim=1)


@dataclass(frozen=True)
class _Outlines:
    """Projected surfaces (B, N, RINGS, SPOKES, 2), by the name of the bone."""

    all: Tensor

    def __getitem__(self, bone: str) -> Tensor:
        return self.all[:, bone_index(bone)]


def _shafts(feet: _Outlines) -> tuple[dict[str, Tensor], dict[str, Tensor]]:
    """Axes of the long bones by the code of the bone (B, 2), and the four landmarks of each shaft."""
    axes: dict[str, Tensor] = {}
    found: dict[str, Tensor] = {}
    for code, name in SHAFTS.items():
        points, axes[code] = shaft_cortices(feet[name])
        for k, end in enumerate(("p_med", "p_lat", "d_med", "d_lat")):
            found[code + end] = points[:, k]
    return axes, found


def _first_metatarsal(feet: _Outlines, solid_centres: Tensor, axes: dict[str, Tensor]) -> dict[str, Tensor]:
    """Base, head and eminence."""
    first, ray = feet["metatarsal_1"], axes["M1"]
    head, rim = first[:, HEAD:], first[:, HEAD_RIM : HEAD_RIM + 1]
    medial, lateral = _corner(first, -ray, -_lateral(ray)), _corner(first, -ray, _lateral(ray))
    return {
        "M1_head_c": solid_centres[:, bone_index("metatarsal_1")],
        "M1_base_med": medial,
        "M1_base_lat": lateral,
        "M1_base_c": 0.5 * (medial + lateral),
        "M1_art_med": _extreme(rim, -_lateral(ray)),
        "M1_art_lat": _extreme(rim, _lateral(ray)),
        "M1_head_lat_edge": _corner(head, ray, _lateral(ray)),
        "M1_emin": _extreme(head, -_lateral(ray)),
    }


def _sampled_head(first: Tensor, ray: Tensor, found: dict[str, Tensor], sampled: Tensor) -> dict[str, Tensor]:
    """Ends of the first metatarsal's distal surface; on a mesh, where the outline of the head turns into its side.

    That is how the ends of all other surfaces are found. A generated head knows the ring where its surface ends.
    """
    ends = {"M1_art_med": -_lateral(ray), "M1_art_lat": _lateral(ray)}
    mesh = sampled[:, None]
    return {code: torch.where(mesh, _corner(first[:, HEAD:], ray, side), found[code]) for code, side in ends.items()}


def _other_metatarsals(feet: _Outlines, solid_centres: Tensor, axes: dict[str, Tensor]) -> dict[str, Tensor]:
    """Tips of all five, base of the second, head of the fourth, outer border of the fifth."""
    found = {f"M{k}_tip": _extreme(feet[f"metatarsal_{k}"], axes["M2"]) for k in range(1, 6)}
    return found | {
        "M2_base_med": _corner(feet["metatarsal_2"], -axes["M2"], -_lateral(axes["M2"])),
        "M2_base_c": feet["metatarsal_2"][:, 0].mean(1),
        "M4_head_c": solid_centres[:, bone_index("metatarsal_4")],
        "M5_lat": _extreme(feet["metatarsal_5"][:, HEAD:], _lateral(axes["M5"])),
    }


def _great_toe(feet: _Outlines, toe: Tensor, head_centre: Tensor) -> dict[str, Tensor]:
    """Both phalanges, and the point of the metatarsal head over against the base of the first."""
    phalanx, last = feet["proximal_phalanx_1"], feet["distal_phalanx_1"]
    base = phalanx[:, 0].mean(1)
    found = {
        "PP_art_med": _corner(phalanx, -toe, -_lateral(toe)),
        "PP_art_lat": _corner(phalanx, -toe, _lateral(toe)),
        "PP_base_mid": base,
        "M1_head_mid": _reach(feet["metatarsal_1"][:, HEAD:], head_centre, _unit(base - head_centre)),
        "PP_head_c": phalanx[:, -1].mean(1),
    }
    way = _unit(last[:, -1].mean(1) - last[:, 0].mean(1))
    for _ in range(3):
        found["DP_base_c"], found["DP_tip"] = _end_middle(last, -way, LAST_BASE), _end_middle(last, way, LAST_TUFT)
        way = _unit(found["DP_tip"] - found["DP_base_c"])
    return found


def _sesamoids(feet: _Outlines, present: Tensor, ray: Tensor) -> dict[str, Tensor]:
    """Borders of both across the first metatarsal, and the middle of the medial one."""
    tibial = feet["medial_sesamoid"]
    # A sesamoid in two parts counts as one outline.
    in_two = present[:, bone_index("medial_sesamoid_half"), None, None, None]
    whole = torch.cat([tibial, torch.where(in_two, feet["medial_sesamoid_half"], tibial)], 1)
    found = {"SES_T_c": _middle(whole, ray)}
    for code, outline in (("SES_T", whole), ("SES_F", feet["lateral_sesamoid"])):
        found[code + "_med"] = _extreme(outline, -_lateral(ray))
        found[code + "_lat"] = _extreme(outline, _lateral(ray))
    return found


def _ends(outline: Tensor, axis: Tensor) -> tuple[Tensor, Tensor]:
    """Middles of the proximal and the distal end of (B, R, S, 2), each between its corners; ``axis`` (B, 2) to begin.

    Corners are looked for along the bone's own axis, which may stand askew to that of the foot.
    """
    for _ in range(3):
        side = _lateral(axis)
        proximal = 0.5 * (_corner(outline, -axis, -side) + _corner(outline, -axis, side))
        distal = 0.5 * (_corner(outline, axis, -side) + _corner(outline, axis, side))
        axis = _unit(distal - proximal)
    return proximal, distal


def _nearest(outline: Tensor, place: Tensor) -> Tensor:
    """Point of (B, R, S, 2) nearest to ``place`` (B, 2)."""
    flat = outline.flatten(1, 2)
    best = torch.linalg.vector_norm(flat - place[:, None], dim=-1).argmin(1)
    return flat[torch.arange(len(flat), device=flat.device), best]


def _tarsus(feet: _Outlines, axes: dict[str, Tensor], found: dict[str, Tensor]) -> dict[str, Tensor]:
    """Borders of the midfoot across the second metatarsal, and the cuneiforms.

    ``found`` has the base of the first metatarsal and the surface of the navicular.
    """
    ray, ahead, across = axes["M1"], axes["M2"], _lateral(axes["M2"])
    wedge, middle, block = feet["medial_cuneiform"], feet["intermediate_cuneiform"], feet["cuboid"]
    boat = found["NAV_art_med"]
    medial, lateral = _corner(wedge, ray, -_lateral(ray)), _corner(wedge, ray, _lateral(ray))
    proximal, distal = _ends(middle, ahead)
    return {
        # Halfway between the bones, where the joint opens to the side.
        "TN_med": 0.5 * (boat + _nearest(feet["talus"], boat)),
        "C1M1_med": 0.5 * (medial + found["M1_base_med"]),
        # The lateral wall of the cuboid leans in from the joint with the fifth metatarsal to that with the calcaneus:
        # the one ends where the bone is widest, the other where the wall turns into the proximal surface.
        "CC_lat": _corner(block, -2.0 * ahead, across),
        "MC5_lat": _extreme_within(block, across, ahead, _middle(block, ahead)),
        "MC4_lat": _corner(feet["metatarsal_4"], -axes["M4"], _lateral(axes["M4"])),
        "C1d_med": medial,
        "C1d_lat": lateral,
        "C2d_med": _corner(middle, ahead, -across),
        "C2p": proximal,
        "C2d": distal,
    }


def _talus(feet: _Outlines) -> dict[str, Tensor]:
    """Head and neck of the talus, and the surface of the navicular before it."""
    talus, boat = feet["talus"], feet["navicular"]
    way = _unit(talus[:, -1].mean(1) - talus[:, RINGS // 2].mean(1))
    length = torch.einsum("bnk,bk->bn", talus.flatten(1, 2), way)
    length = (length.amax(1) - length.amin(1))[:, None]
    top = _extreme(talus, way)
    found = {"TAL_neck_c": _level_middle(talus, way, top - TALAR_NECK * length * way)}
    for code, aside in (("med", -_lateral(way)), ("lat", _lateral(way))):
        found[f"TAL_art_{code}"] = _extreme_within(talus, aside, way, top - TALAR_HEAD * length * way)
        found[f"NAV_art_{code}"] = _corner(boat, -way, aside)
    return found

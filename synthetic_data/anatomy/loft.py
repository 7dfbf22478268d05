"""Bones as lofts: rings of a closed section along an axis, closed by a cap at either end.

All bones of all feet of a batch share one ring count, so one set of array operations shapes them all and one
triangle list serves every bone. A second, smaller loft inside the first is the border between the cortical
shell and the spongy bone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import pi

import torch
from torch import Tensor

CAP_RINGS = 8
"""Rings in each cap, the pole excluded."""
SHAFT_RINGS = 22
"""Rings between the caps."""
RINGS = 2 * CAP_RINGS + SHAFT_RINGS + 2
"""Rings of a bone including the two poles (rings of no width)."""
SPOKES = 28
"""Points on a ring."""
PLATE_RINGS = 6
"""Rings of the shaft that draw together at a growth plate; those of a bone without one are spread evenly."""
PLATE_ROUNDING = 0.6
"""Depth over which the edge of a growth plate is rounded, mm."""


@dataclass(frozen=True)
class BoneShapes:
    """Shape parameters of N bones of B feet. Lengths in mm, angles in radians.

    ``width``, ``height`` (full extents), ``mid_width``, ``mid_height``, ``wedge`` and ``squareness`` are profiles
    of shape (B, N, F) sampled evenly from base to tip; ``caps`` has shape (B, N, 2, 5) with closing exponent,
    length share, dish, saddle and tilt of the base and the tip; ``bumps`` (B, N, K, 5) with place, angle, the two
    spreads and height; ``ripple`` (B, N, M, R) are amplitudes of a random relief; ``cortex`` (B, N, 2) the shell
    at mid-shaft and at the ends. ``plate`` (B, N, 4) cuts the bone at a growth plate: place along the bone, gap in
    mm (0: no plate), how far the epiphysis beyond it, on the nearer end, has turned to bone (1: to its rims), and
    the bow of the plate in mm.
    """

    length: Tensor
    width: Tensor
    height: Tensor
    mid_width: Tensor
    mid_height: Tensor
    wedge: Tensor
    squareness: Tensor
    caps: Tensor
    bumps: Tensor
    ripple: Tensor
    cortex: Tensor
    plate: Tensor

    def to(self, device: torch.device | str) -> BoneShapes:
        """The same shapes on another device."""
        return BoneShapes(**{name: value.to(device) for name, value in vars(self).items()})


@lru_cache(maxsize=1)
def triangles() -> Tensor:
    """Vertex numbers of the triangles of one bone, shape (T, 3).

    By the right-hand rule normals point inward in the frame of the loft (width, length, height), which
    the projection counts on.
    """
    ring = torch.arange(RINGS - 1)[:, None] * SPOKES
    spoke = torch.arange(SPOKES)[None, :]
    following = (spoke + 1) % SPOKES
    a, b = ring + spoke, ring + following
    c, d = a + SPOKES, b + SPOKES
    lower = torch.stack([a, b, d], dim=-1).reshape(-1, 3)
    upper = torch.stack([a, d, c], dim=-1).reshape(-1, 3)
    faces = torch.cat([lower, upper])
    pole_base = faces[:, 1] < SPOKES  # both first corners on the base pole: no area
    keep = ~(pole_base & (faces[:, 0] < SPOKES))
    last = (RINGS - 1) * SPOKES
    keep &= ~((faces[:, 1] >= last) & (faces[:, 2] >= last))
    return faces[keep]


@dataclass(frozen=True)
class _Rings:
    """Rings of every bone, each (B, N, RINGS).

    ``read``, the place whose section a ring has; ``place``, where it lies; ``closing``, factor of the section at the
    caps; ``ossified``, the same in and beyond a growth plate; ``original``, the place by which an end tilts: on a
    bone without a plate, the one before the shell is taken off; ``at_plate``, whether a ring bounds the plate.
    """

    read: Tensor
    place: Tensor
    closing: Tensor
    ossified: Tensor
    original: Tensor
    at_plate: Tensor


def _rings(shapes: BoneShapes, shell: Tensor) -> _Rings:
    """Lay the rings. ``shell`` (B, N, 1) mm is taken off at both ends and at the plate (zero: the outer surface)."""
    caps, length = shapes.caps, shapes.length[..., None]
    quarter = torch.linspace(0, 1, CAP_RINGS + 1, device=caps.device, dtype=caps.dtype)[1:]
    # Rings crowd towards the rim, where the outline of an articular surface turns.
    phi = (pi / 2) * (1 - (1 - quarter) ** 1.3)
    exponent = 2.0 / caps[..., 0]
    closing = torch.cos(phi).clamp_min(0) ** exponent[..., None]
    rise = torch.sin(phi) ** exponent[..., None]
    closing[..., -1] = 0.0
    base, tip = caps[..., 0, 1:2], caps[..., 1, 1:2]
    trim = (shell / length).clamp(max=0.2)

    centre, gap, grown, _ = shapes.plate[..., None].unbind(2)
    cut = gap > 0
    count = SHAFT_RINGS + 2
    extra = torch.arange(count, device=caps.device) >= count - PLATE_RINGS
    steps = torch.linspace(0, 1, count, device=caps.device, dtype=caps.dtype)
    parted = torch.linspace(0, 1, count - PLATE_RINGS, device=caps.device, dtype=caps.dtype)
    parted = torch.cat([parted, steps[:PLATE_RINGS] * 0])
    depth = torch.tensor([1.0, 0.0, 0.0, 0.0, 0.0, 1.0], device=caps.device) * PLATE_ROUNDING
    side = torch.tensor([-1.0, -1.0, -1.0, 1.0, 1.0, 1.0], device=caps.device)
    face = torch.tensor([1.0, 0.93, 0.02, 0.02, 0.93, 1.0], device=caps.device)

    def lay(low: Tensor, high: Tensor, taken: Tensor) -> Tensor:
        """Rings from ``low`` to ``high``, none of the ordinary ones within a plate; ``taken`` mm off its faces."""
        zone = (0.5 * gap + taken + PLATE_ROUNDING) / length
        apart = low + (high - low - 2 * zone) * parted
        apart = torch.where(apart > centre - zone, apart + 2 * zone, apart)
        faces = centre + side * (0.5 * gap + depth + taken) / length
        with_plate = torch.where(extra, torch.cat([apart[..., :-PLATE_RINGS], faces], -1), apart)
        return torch.where(cut, with_plate, low + (high - low) * steps)

    shaft = lay(base, 1 - tip, torch.zeros_like(shell))
    trimmed = lay(trim + (1 - 2 * trim) * base, 1 - trim - (1 - 2 * trim) * tip, shell)
    open_ = torch.where(cut & extra, torch.cat([steps[:-PLATE_RINGS] * 0 + 1, face]), torch.ones_like(shaft))
    # Faces and the rings that close them lie at one place: their order must stay.
    trimmed, order = torch.sort(trimmed, dim=-1, stable=True)
    shaft, open_ = torch.where(cut, trimmed, shaft), open_.gather(-1, order)
    at_plate = (cut & extra).expand_as(shaft).gather(-1, order)

    proximal = (base * (1 - rise[..., 0, :])).flip(-1)
    distal = 1 - tip * (1 - rise[..., 1, :])
    original = torch.cat([proximal, shaft, distal], dim=-1)
    read = torch.cat([trim + (1 - 2 * trim) * proximal, trimmed, trim + (1 - 2 * trim) * distal], dim=-1)
    factor = torch.cat([closing[..., 0, :].flip(-1), torch.ones_like(shaft), closing[..., 1, :]], dim=-1)
    none = torch.zeros_like(proximal)
    ossified = torch.cat([none + 1, open_, none + 1], dim=-1)
    at_plate = torch.cat([none > 0, at_plate, none > 0], dim=-1)
    # An epiphysis that is bone only in its middle is a smaller copy of itself.
    proximal_plate = centre < 0.5
    beyond = cut & torch.where(proximal_plate, read < centre, read > centre)
    middle = torch.where(proximal_plate, 0.5 * centre, 0.5 + 0.5 * centre)
    place = torch.where(beyond, middle + grown * (read - middle), read)
    ossified = torch.where(beyond, ossified * grown, ossified)
    return _Rings(read, place, factor, ossified, original, at_plate)


def _sample(profile: Tensor, place: Tensor) -> Tensor:
    """Linear reading of (B, N, F) profiles at (B, N, S) places in 0..1."""
    last = profile.shape[-1] - 1
    position = place.clamp(0, 1) * last
    left = position.floor().clamp(max=last - 1)
    share = position - left
    index = left.long()
    return torch.gather(profile, -1, index) * (1 - share) + torch.gather(profile, -1, index + 1) * share


def loft(shapes: BoneShapes, inside: bool = False) -> Tensor:
    """Surface points of every bone in its own frame.

    Parameters
    ----------
    shapes : BoneShapes
    inside : bool
        The inner border of the cortical shell instead of the outer surface.

    Returns
    -------
    Tensor, shape (B, N, RINGS, SPOKES, 3)
        Millimetres; width (lateral), length (distal, 0 at the base) and height (dorsal) of each point.
    """
    caps = shapes.caps
    length = shapes.length[..., None]
    middle_shell, end_shell = shapes.cortex[..., 0:1], shapes.cortex[..., 1:2]
    rings = _rings(shapes, end_shell if inside else torch.zeros_like(length))
    place, closing, original = rings.read, rings.closing, rings.original

    width, height = _sample(shapes.width, place), _sample(shapes.height, place)
    shell = torch.zeros_like(place)
    if inside:
        along = ((place - 0.12) / 0.25).clamp(0, 1) * ((0.9 - place) / 0.25).clamp(0, 1)
        along = along * along * (3 - 2 * along)
        shell = end_shell + (middle_shell - end_shell).clamp_min(0) * along
    half_width = torch.maximum(0.5 * width - shell, 0.12 * width)
    half_height = torch.maximum(0.5 * height - shell, 0.12 * height)

    theta = torch.arange(SPOKES, device=caps.device, dtype=caps.dtype) * (2 * pi / SPOKES)
    cos, sin = torch.cos(theta), torch.sin(theta)
    power = 2.0 / _sample(shapes.squareness, place)[..., None]
    x = cos.sign() * cos.abs() ** power
    z = sin.sign() * sin.abs() ** power
    x = x * (1 + _sample(shapes.wedge, place)[..., None] * z)
    # A wedge widens one side and narrows the other; the measured extent stays the extent.
    x = x / x.abs().amax(dim=-1, keepdim=True)

    relief = _bumps(shapes.bumps, place, theta)
    relief = relief + _ripple(shapes.ripple, place, theta) * 0.5 * torch.minimum(width, height)[..., None]

    grow_x = 1 + relief / (0.5 * width[..., None]).clamp_min(1.0)
    grow_z = 1 + relief / (0.5 * height[..., None]).clamp_min(1.0)
    section = (closing * rings.ossified)[..., None]
    x = x * half_width[..., None] * grow_x * section
    z = z * half_height[..., None] * grow_z * section

    rim = (x / (0.5 * width[..., None]).clamp_min(1e-3)).clamp(-1.2, 1.2)
    end_p = (1 - original / 0.2).clamp(0, 1)[..., None]
    end_d = ((original - 0.8) / 0.2).clamp(0, 1)[..., None]
    cap = caps[..., None, None, :, :]
    hollow = (1 - closing**2)[..., None]
    at_base = (torch.arange(RINGS, device=caps.device) < CAP_RINGS)[:, None]
    at_tip = (torch.arange(RINGS, device=caps.device) >= RINGS - CAP_RINGS)[:, None]
    y = (rings.place * length)[..., None] + torch.zeros_like(x)
    y = y + (rings.at_plate * shapes.plate[..., 3:4])[..., None] * rim**2
    y = y + at_base * cap[..., 0, 2] * hollow - at_tip * cap[..., 1, 2] * hollow
    y = y - at_base * cap[..., 0, 3] * (rim**2) + at_tip * cap[..., 1, 3] * (rim**2)
    y = y + torch.tan(cap[..., 0, 4]) * x * end_p - torch.tan(cap[..., 1, 4]) * x * end_d

    x = x + _sample(shapes.mid_width, place)[..., None]
    z = z + _sample(shapes.mid_height, place)[..., None]
    return torch.stack([x, y, z], dim=-1)


def _bumps(bumps: Tensor, place: Tensor, theta: Tensor) -> Tensor:
    """Relief in mm of Gaussian tubercles: each is a product of a curve along the bone and one around it."""
    at, angle, spread_at, spread_angle, rise = bumps[..., None].unbind(3)
    turn = torch.remainder(theta - angle + pi, 2 * pi) - pi
    along = rise * torch.exp(-0.5 * ((place[:, :, None] - at) / spread_at) ** 2)
    return torch.einsum("bnkr,bnks->bnrs", along, torch.exp(-0.5 * (turn / spread_angle) ** 2))


def _ripple(amplitude: Tensor, place: Tensor, theta: Tensor) -> Tensor:
    """Smooth random relief: products of a cosine along the bone and a harmonic around it."""
    _, _, modes, waves = amplitude.shape
    mode = torch.arange(modes, device=place.device, dtype=place.dtype)[:, None]
    along = torch.cos(pi * mode * place[:, :, None])
    harmonic = torch.arange(2, 2 + waves // 2, device=place.device, dtype=place.dtype)[:, None]
    around = torch.stack([torch.cos(harmonic * theta), torch.sin(harmonic * theta)], dim=1).flatten(0, 1)
    return torch.einsum("bnmr,bnmw,ws->bnrs", along, amplitude, around)

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


@dataclass(frozen=True)
class BoneShapes:
    """Shape parameters of N bones of B feet. Lengths in mm, angles in radians.

    ``width``, ``height`` (full extents), ``mid_width``, ``mid_height``, ``wedge`` and ``squareness`` are profiles
    of shape (B, N, F) sampled evenly from base to tip; ``caps`` has shape (B, N, 2, 5) with closing exponent,
    length share, dish, saddle and tilt of the base and the tip; ``bumps`` (B, N, K, 5) with place, angle, the two
    spreads and height; ``ripple`` (B, N, M, R) are amplitudes of a random relief; ``cortex`` (B, N, 2) the shell
    at mid-shaft and at the ends.
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

    def to(self, device: torch.device | str) -> BoneShapes:
        """The same shapes on another device."""
        return BoneShapes(**{name: value.to(device) for name, value in vars(self).items()})


@lru_cache(maxsize=1)
def triangles() -> Tensor:
    """Vertex numbers of the triangles of one bone, shape (T, 3).

    By the right-hand rule normals point inward in the frame of the loft (width, length, height); the cast counts on it.
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


def _ring_places(caps: Tensor, trim: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Place along the bone (0..1), closing factor of the section, and end weight (-1 base .. +1 tip) of each ring.

    ``trim`` (B, N, 2) is the share of the length taken off at the base and the tip (zero for the outer surface).
    """
    quarter = torch.linspace(0, 1, CAP_RINGS + 1, device=caps.device, dtype=caps.dtype)[1:]
    # Rings crowd towards the rim, where the outline of an articular surface turns.
    phi = (pi / 2) * (1 - (1 - quarter) ** 1.3)
    exponent = 2.0 / caps[..., 0]
    closing = torch.cos(phi).clamp_min(0) ** exponent[..., None]
    rise = torch.sin(phi) ** exponent[..., None]
    closing[..., -1] = 0.0
    base, tip = caps[..., 0, 1:2], caps[..., 1, 1:2]
    low, high = trim[..., 0:1], 1 - trim[..., 1:2]
    span = high - low
    steps = torch.linspace(0, 1, SHAFT_RINGS + 2, device=caps.device, dtype=caps.dtype)
    shaft = base + (1 - base - tip) * steps
    proximal = (base * (1 - rise[..., 0, :])).flip(-1)
    distal = 1 - tip * (1 - rise[..., 1, :])
    place = torch.cat([proximal, shaft, distal], dim=-1)
    factor = torch.cat([closing[..., 0, :].flip(-1), torch.ones_like(shaft), closing[..., 1, :]], dim=-1)
    return low + span * place, factor, place


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
    if inside:
        trim = (end_shell / length).clamp(max=0.2).expand(*length.shape[:2], 2)
    else:
        trim = torch.zeros_like(length).expand(*length.shape[:2], 2)
    place, closing, original = _ring_places(caps, trim)

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

    relief = torch.zeros_like(x)
    for k in range(shapes.bumps.shape[2]):
        at, angle, spread_at, spread_angle, rise = shapes.bumps[:, :, k, :, None, None].unbind(2)
        turn = torch.remainder(theta - angle + pi, 2 * pi) - pi
        gauss = torch.exp(-0.5 * ((place[..., None] - at) / spread_at) ** 2 - 0.5 * (turn / spread_angle) ** 2)
        relief = relief + rise * gauss
    relief = relief + _ripple(shapes.ripple, place, theta) * 0.5 * torch.minimum(width, height)[..., None]

    grow_x = 1 + relief / (0.5 * width[..., None]).clamp_min(1.0)
    grow_z = 1 + relief / (0.5 * height[..., None]).clamp_min(1.0)
    x = x * half_width[..., None] * grow_x * closing[..., None]
    z = z * half_height[..., None] * grow_z * closing[..., None]

    rim = (x / (0.5 * width[..., None]).clamp_min(1e-3)).clamp(-1.2, 1.2)
    end_p = (1 - original / 0.2).clamp(0, 1)[..., None]
    end_d = ((original - 0.8) / 0.2).clamp(0, 1)[..., None]
    cap = caps[..., None, None, :, :]
    hollow = (1 - closing**2)[..., None]
    at_base = (torch.arange(RINGS, device=caps.device) < CAP_RINGS)[:, None]
    at_tip = (torch.arange(RINGS, device=caps.device) >= RINGS - CAP_RINGS)[:, None]
    y = (place * length)[..., None] + torch.zeros_like(x)
    y = y + at_base * cap[..., 0, 2] * hollow - at_tip * cap[..., 1, 2] * hollow
    y = y - at_base * cap[..., 0, 3] * (rim**2) + at_tip * cap[..., 1, 3] * (rim**2)
    y = y + torch.tan(cap[..., 0, 4]) * x * end_p - torch.tan(cap[..., 1, 4]) * x * end_d

    x = x + _sample(shapes.mid_width, place)[..., None]
    z = z + _sample(shapes.mid_height, place)[..., None]
    return torch.stack([x, y, z], dim=-1)


def _ripple(amplitude: Tensor, place: Tensor, theta: Tensor) -> Tensor:
    """Smooth random relief: products of a cosine along the bone and a harmonic around it."""
    total = torch.zeros(*place.shape, theta.shape[0], device=place.device, dtype=place.dtype)
    for m in range(amplitude.shape[2]):
        along = torch.cos(pi * m * place)[..., None]
        for r in range(amplitude.shape[3] // 2):
            wave_c, wave_s = torch.cos((r + 2) * theta), torch.sin((r + 2) * theta)
            around = amplitude[:, :, m, 2 * r, None, None] * wave_c + amplitude[:, :, m, 2 * r + 1, None, None] * wave_s
            total = total + along * around
    return total

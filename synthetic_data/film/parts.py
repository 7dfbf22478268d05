"""Rods, bars and domes laid along the bones of a foot: path lengths through them on the film plane.

Screws, plates, wires, straps and spacers are made of these. Their places are named by landmarks, so that they can
be drawn without waiting for the landmarks of a batch, and are laid on any film, upright, turned or mirrored.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass, fields
from functools import lru_cache

import numpy as np
import torch
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.synthetic_data.film.draws import send

FRAMES: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "M1": (("M1_base_c",), ("M1_head_c",)),
    "M2": (("M2_base_c",), ("M2_tip",)),
    "M3": (("M3p_med", "M3p_lat"), ("M3_tip",)),
    "M4": (("M4p_med", "M4p_lat"), ("M4_tip",)),
    "M5": (("M5p_med", "M5p_lat"), ("M5_tip",)),
    "PP1": (("PP_art_med", "PP_art_lat"), ("PP_head_c",)),
    "DP1": (("DP_base_c",), ("DP_tip",)),
    "PP2": (("PP2p_med", "PP2p_lat"), ("PP2d_med", "PP2d_lat")),
    "PP3": (("PP3p_med", "PP3p_lat"), ("PP3d_med", "PP3d_lat")),
    "PP4": (("PP4p_med", "PP4p_lat"), ("PP4d_med", "PP4d_lat")),
    "PP5": (("PP5p_med", "PP5p_lat"), ("PP5d_med", "PP5d_lat")),
}
"""A bone's proximal and distal point, each the mean of landmarks."""

Place = tuple[str, float, float]
"""A frame, the share of the way from its proximal to its distal point, and mm toward the fifth toe from there."""


@dataclass(frozen=True)
class Part:
    """One piece. Lengths in mm; what is 0 is not there.

    ``start``, ``end``: places; the piece takes ``span`` of the way between them, or ``length`` from the start of
    that span. ``radius``: half its width. A piece is round (its path is the chord of a cylinder, less that of a
    ``bore``, notched ``thread`` deep every ``pitch``) unless ``flat`` gives the path through a bar with round ends
    or ``dome`` the greatest path through an ellipsoid. A bar has holes of radius ``hole`` every ``spacing``, in
    which ``filled`` is the path through a screw that stands upright. ``stretch`` is the path of a piece that leans
    out of the film over that of one that lies in it. ``absorbs``: mm of cortical bone or of soft tissue, as the
    caller means it, that absorb like 1 mm of the piece.
    """

    start: Place
    end: Place
    radius: float
    absorbs: float
    span: tuple[float, float] = (0.0, 1.0)
    length: float = 0.0
    bore: float = 0.0
    thread: float = 0.0
    pitch: float = 1.0
    flat: float = 0.0
    dome: float = 0.0
    spacing: float = 0.0
    hole: float = 0.0
    filled: float = 0.0
    stretch: float = 1.0


_NUMBERS = [f.name for f in fields(Part)][2:]
_NAMES = list(FRAMES)


def table(feet: Sequence[Sequence[Part]], device: torch.device | str) -> Tensor:
    """The parts of B feet as one tensor (B, N, K) for :func:`parts_path`; short rows end in parts of no width."""
    columns = 6 + len(_NUMBERS) + 1
    longest = max((len(parts) for parts in feet), default=0)
    rows = np.zeros((len(feet), max(1, longest), columns), np.float32)
    for b, parts in enumerate(feet):
        for n, part in enumerate(parts):
            places = [v for place in (part.start, part.end) for v in (_NAMES.index(place[0]), *place[1:])]
            numbers = [v for value in astuple(part)[2:] for v in (value if isinstance(value, tuple) else (value,))]
            rows[b, n] = [*places, *numbers]
    return send(rows, device, 0)


@lru_cache(maxsize=4)
def _weights(device: torch.device) -> Tensor:
    """(F, 2, L): landmarks that make the two points of each frame."""
    schema = landmark_schema()
    weights = torch.zeros(len(FRAMES), 2, len(schema))
    for f, ends in enumerate(FRAMES.values()):
        for e, codes in enumerate(ends):
            weights[f, e, [schema.index(c) for c in codes]] = 1 / len(codes)
    return weights.to(device)


def _places(points: Tensor, pixel_mm: Tensor, rows: Tensor) -> tuple[Tensor, Tensor]:
    """Start and end (B, N, 2) of the parts of :func:`table` in pixels."""
    schema = landmark_schema()
    frames = torch.einsum("fel,blx->bfex", _weights(points.device), points)
    across_foot = points[:, schema.index("M5_lat")] - points[:, schema.index("M1_head_c")]
    index = rows[..., [0, 3]].long().flatten(1)[..., None, None].expand(-1, -1, 2, 2)
    ends = frames.gather(1, index).reshape(*rows.shape[:2], 2, 2, 2)
    way = ends[..., 1, :] - ends[..., 0, :]
    ahead = way / torch.linalg.vector_norm(way, dim=-1, keepdim=True).clamp_min(1e-3)
    lateral = torch.stack([-ahead[..., 1], ahead[..., 0]], -1)
    # On a mirrored film the fifth toe is on the other hand.
    lateral = lateral * torch.sign((lateral * across_foot[:, None, None]).sum(-1, keepdim=True))
    along, across = rows[..., [1, 4], None], rows[..., [2, 5], None] / pixel_mm[:, None, None, None]
    at = ends[..., 0, :] + along * way + across * lateral
    return at[:, :, 0], at[:, :, 1]


def parts_path(rows: Tensor, points: Tensor, pixel_mm: Tensor, size: tuple[int, int]) -> Tensor:
    """Path lengths (B, R, C) through parts, times what they absorb.

    Parameters
    ----------
    rows : Tensor, shape (B, N, K)
        From :func:`table`.
    points : Tensor, shape (B, L, 2)
        Landmarks in pixels, schema order; those of bones that are not there must still lie where they would be.
    pixel_mm : Tensor, shape (B,)
    size : (rows, columns)

    Returns
    -------
    Tensor, shape (B, R, C)
        mm.
    """
    device = points.device
    pixel = pixel_mm.to(device)
    starts, ends = _places(points, pixel, rows)
    x = torch.arange(size[1], device=device, dtype=torch.float32)
    y = torch.arange(size[0], device=device, dtype=torch.float32)[:, None]
    total = torch.zeros(len(points), *size, device=device)
    scale = pixel[:, None, None]
    for n in range(rows.shape[1]):
        (radius, absorbs, from_, to, length, bore, thread, pitch, flat, dome, spacing, hole, filled, stretch) = (
            value[:, None, None] for value in rows[:, n, 6:].unbind(1)
        )
        way = ends[:, n] - starts[:, n]
        reach = torch.linalg.vector_norm(way, dim=1)[:, None, None]
        # What starts where it ends, a screw seen along its axis, needs some direction all the same.
        ahead = torch.where(
            reach[:, 0] > 1e-3,
            way / reach[:, 0].clamp_min(1e-3),
            torch.tensor([1.0, 0.0]).to(device, non_blocking=True),
        )
        ux, uy = ahead[:, 0, None, None], ahead[:, 1, None, None]
        first = starts[:, n] + from_[:, 0] * way
        dx, dy = x - first[:, 0, None, None], y - first[:, 1, None, None]
        along, across = (dx * ux + dy * uy) * scale, (dy * ux - dx * uy) * scale
        long = torch.where(length > 0, length, (to - from_) * reach * scale)

        def edge(inside: Tensor) -> Tensor:
            """Share of a pixel that lies inside, from the distance of its centre to the edge in mm."""
            return (inside / scale + 0.5).clamp(0, 1)

        def chord(r: Tensor, across: Tensor = across) -> Tensor:
            return 2 * torch.sqrt((r.clamp_min(0) ** 2 - across**2).clamp_min(0))

        tooth = 2 * (torch.frac(along.clamp_min(0) / pitch.clamp_min(0.1)) - 0.5).abs()
        rod = (chord(radius - thread * tooth) - chord(bore)) * edge(torch.minimum(along, long - along))
        beyond = torch.maximum(-along, along - long).clamp_min(0)
        bar = flat * edge(radius - torch.hypot(beyond, across))
        step = spacing.clamp_min(1e-3)
        nearest = (torch.floor(along / step) + 0.5) * step
        fits = (nearest > 0) & (nearest + 0.5 * step <= long + 0.01) & (spacing > 0)
        open_ = edge(hole - torch.hypot(along - nearest, across)) * fits
        bar = bar * (1 - open_) + filled * open_
        swell = 1 - (2 * along / long.clamp_min(1e-3) - 1) ** 2 - (across / radius.clamp_min(1e-3)) ** 2
        blob = dome * torch.sqrt(swell.clamp_min(0))
        path = torch.where(dome > 0, blob, torch.where(flat > 0, bar, rod))
        # A bone that is not there has no place for anything.
        total += torch.where(radius > 0, absorbs * stretch * path, 0.0).nan_to_num()
    return total

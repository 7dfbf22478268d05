"""A cast of plaster or resin round a foot: a shell outside the skin, bright at its rim, of uneven thickness."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.synthetic_data.film.distance import distance_to
from raysplay.synthetic_data.film.draws import send
from raysplay.synthetic_data.film.smooth import gaussian

PLASTER, RESIN = 2.3, 1.0
"""Mm of soft tissue that absorb like 1 mm of shell, mean of 40 and 50 keV: set gypsum with its pores (1.0 g/cm3) and
knitted glass in resin (0.5 and 0.3 g/cm3); densities from memory."""

_CELLS = 96
"""Cells of the longer side of the grid on which the distance to the skin is taken."""

_SPAN = 14.0
"""Mm from the skin within which a bandage closes hollows."""

_WIDTH = 40.0
"""Half the width of what a shell goes round, in mm; sets how the path falls off from the rim to the middle."""


@dataclass(frozen=True)
class Casts:
    """Numbers of B casts, each an array (B,). Lengths in mm.

    ``thick``: of the shell on average; ``uneven``: its relative spread; ``gap``: padding between skin and shell;
    ``absorbs``: per mm, in soft tissue; ``weave``: relative depth of the knit, ``mesh`` its period; ``layers``:
    relative depth of the turns of the bandage, ``turn`` their period; ``ends``: where the shell stops, as a share of
    the second metatarsal from its base; ``tilt``: of that end; ``window``: half length of a window cut into the
    shell, 0 for none, and ``window_at`` its place along the second metatarsal; ``half``: 1 where the shell is a slab
    under the foot alone; ``side``: how much thicker the shell is on one side, of its thickness; ``wrinkle``: spread of
    folds in its wall; ``cuff``: how much thicker it is where it ends.
    """

    thick: np.ndarray
    uneven: np.ndarray
    gap: np.ndarray
    absorbs: np.ndarray
    weave: np.ndarray
    mesh: np.ndarray
    layers: np.ndarray
    turn: np.ndarray
    ends: np.ndarray
    tilt: np.ndarray
    window: np.ndarray
    window_at: np.ndarray
    half: np.ndarray
    side: np.ndarray
    wrinkle: np.ndarray
    cuff: np.ndarray


def draw_casts(rng: np.random.Generator, count: int, strength: float = 1.0) -> Casts:
    """Draw ``count`` casts; ``strength`` scales their thickness."""
    resin = rng.random(count) < 0.5
    covered = rng.random(count) < 0.4
    return Casts(
        thick=strength * np.where(resin, rng.uniform(2.5, 5.5, count), rng.uniform(4.0, 9.0, count)),
        uneven=rng.uniform(0.1, 0.35, count),
        gap=rng.uniform(0.5, 8.0, count),
        absorbs=np.where(resin, RESIN, PLASTER),
        weave=np.where(resin, rng.uniform(0.1, 0.5, count), rng.uniform(0.0, 0.1, count)),
        mesh=rng.uniform(1.6, 3.2, count),
        layers=rng.uniform(0.03, 0.2, count),
        turn=rng.uniform(18.0, 50.0, count),
        ends=np.where(covered, rng.uniform(1.3, 2.6, count), rng.uniform(0.55, 1.15, count)),
        tilt=rng.normal(0, 0.2, count),
        window=np.where(rng.random(count) < 0.1, rng.uniform(12, 28, count), 0.0),
        window_at=rng.uniform(-0.6, 0.8, count),
        half=(rng.random(count) < 0.15).astype(float),
        side=rng.uniform(-0.7, 0.7, count),
        wrinkle=rng.uniform(0.2, 1.6, count),
        cuff=np.where(rng.random(count) < 0.7, rng.uniform(0.3, 2.0, count), 0.0),
    )


def _fine(coarse: Tensor, step: int, size: tuple[int, int]) -> Tensor:
    """Values of cells ``step`` pixels wide at every pixel."""
    rows, columns = coarse.shape[-2:]
    fine = F.interpolate(coarse[:, None], size=(rows * step, columns * step), mode="bilinear", align_corners=False)
    return fine[:, 0, : size[0], : size[1]]


def cast_path(casts: Casts, soft: Tensor, points: Tensor, pixel_mm: Tensor, generator: torch.Generator) -> Tensor:
    """What casts add to the path through soft tissue.

    Parameters
    ----------
    casts : Casts of B feet
    soft : Tensor, shape (B, R, C)
        Path lengths in mm; where there are some, there is skin.
    points : Tensor, shape (B, L, 2)
        Landmarks in pixels.
    pixel_mm : Tensor, shape (B,)
        On any device; not waited for.
    generator : torch.Generator
        Of unevenness.

    Returns
    -------
    Tensor, shape (B, R, C)
        In mm of soft tissue.
    """
    device = soft.device
    number = {f.name: send(getattr(casts, f.name), device) for f in fields(casts)}
    size = (soft.shape[1], soft.shape[2])
    step = max(1, -(-max(size) // _CELLS))
    padded = F.pad(soft[:, None], (0, -size[1] % step, 0, -size[0] % step), mode="replicate")
    skin = F.avg_pool2d(padded, step)[:, 0] > 2.0
    cell = (pixel_mm.to(device) * step)[:, None, None]
    # A bandage spans the hollows between toes: the skin is closed over them.
    spanned = distance_to(skin) * cell < _SPAN
    outside, inside = distance_to(spanned), distance_to(~spanned)
    # The border lies half a cell before the nearest cell of the other kind.
    inward = torch.where(spanned, inside - 0.5, 0.5 - outside) * cell - _SPAN
    inward = gaussian(inward, torch.full((len(soft),), 1.0))
    fold = gaussian(
        torch.randn(skin.shape, generator=generator, device=device),
        torch.from_numpy(np.full(len(soft), 1.6, np.float32)),
    )
    lump = torch.randn(len(soft), 1, 9, 7, generator=generator, device=device)
    lump = F.interpolate(lump, size=skin.shape[1:], mode="bicubic", align_corners=True)[:, 0]

    schema = landmark_schema()
    base, tip = points[:, schema.index("M2_base_c")], points[:, schema.index("M2_tip")]
    way = tip - base
    y = torch.arange(size[0], device=device, dtype=torch.float32)[:, None]
    x = torch.arange(size[1], device=device, dtype=torch.float32)
    dx, dy = x - base[:, 0, None, None], y - base[:, 1, None, None]
    wx, wy = way[:, 0, None, None], way[:, 1, None, None]
    square = (wx**2 + wy**2).clamp_min(1.0)
    along, across = (dx * wx + dy * wy) / square, (dy * wx - dx * wy) / square

    pixel = pixel_mm.to(device)[:, None, None]
    reach = torch.sqrt(square) * pixel
    lean = number["side"] * (across * reach / 35).clamp(-1, 1)
    thick = number["thick"] * (1 + lean + number["uneven"] * _fine(lump, step, size)).clamp_min(0.25)
    folds = number["wrinkle"] * _fine(fold / fold.std().clamp_min(1e-6), step, size)
    depth = _fine(inward, step, size) + number["gap"] + thick + folds
    path = 2 * (_half_chord(depth, _WIDTH) - _half_chord(depth - thick, _WIDTH - thick)).clamp_min(0)
    # A slab under the foot has no rim.
    path = torch.where(number["half"] > 0, thick * (depth / thick.clamp_min(0.5)).clamp(0, 1), path)
    u, v = along * reach, across * reach
    turns = torch.cos(2 * np.pi * (u + 0.35 * v) / number["turn"] + 3 * _fine(lump, step, size))
    knit = torch.cos(2 * np.pi * (u + v) / number["mesh"]) * torch.cos(2 * np.pi * (u - v) / number["mesh"])
    path = path * (1 + number["layers"] * turns + number["weave"] * knit).clamp_min(0)
    ragged = 0.03 * _fine(lump, step, size)
    before = (number["ends"] + number["tilt"] * across + ragged - along) * reach
    path = path * (1 + number["cuff"] * torch.exp(-before.clamp_min(0) / 2.5))
    end = (before / 1.5 + 0.5).clamp(0, 1)
    hole = torch.maximum(((along - number["window_at"]) * reach).abs(), v.abs() * 1.3) < number["window"]
    return path * end * ~hole


def _half_chord(depth: Tensor, radius: Tensor | float) -> Tensor:
    """Half the path through a round body at ``depth`` mm inside its edge."""
    inside = torch.clamp(depth, min=0) - torch.clamp(depth - radius, min=0)
    return torch.sqrt((inside * (2 * radius - inside)).clamp_min(0))

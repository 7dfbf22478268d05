"""Batches for the locator: whole small films with any number of feet, turned any way, and things that are no feet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.configs.views import VIEWS
from raysplay.infer.network.locator_map import UNIT
from raysplay.infer.network.locator_network import STRIDE
from raysplay.infer.settings import reading_settings
from raysplay.synthetic_data.film.carried import carry, choose_carried
from raysplay.synthetic_data.film.draws import send, some
from raysplay.synthetic_data.film.screen import draw_angles, move_points
from raysplay.train.degrade import DegradeSettings, degrade_settings
from raysplay.train.exposed_batch import Showing, expose_batch
from raysplay.train.intensity import Intensity
from raysplay.train.pool import Pool
from raysplay.train.warp import warp

SLOTS = 2
"""Places for a foot or another thing on a film."""

LEAST_SEEN = 0.35
"""Share of the anchors, by weight, from which a foot that the edge of the film cuts off shall be found."""

HEAT_SPREAD = 1.2
"""Spread of the centre target in cells."""

_BEYOND = {0.0: 0.6, 0.03: 0.2, 1.0: 0.2}
"""Grey values beyond the exposed field and their shares."""


@dataclass(frozen=True)
class LocatorBatch:
    """Small films (B, S, S) and the targets of ``locator_loss``."""

    images: Tensor
    target: dict[str, Tensor]


def _placements(
    rng: np.random.Generator, count: int, side: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Film-from-foot maps (B, SLOTS, 3, 3) in mm to pixels, mirrored flags, which slots are used, mm per pixel.

    A foot's frame here: x lateral, y distal in mm about a point amid the metatarsals.
    """
    pixel = np.exp(rng.uniform(np.log(0.5), np.log(2.8), count))
    number = rng.choice([0, 1, 2], count, p=[0.06, 0.62, 0.32])
    base = rng.choice([0.0, 180.0, 90.0, -90.0], count, p=[0.45, 0.35, 0.1, 0.1]) + rng.normal(0, 9, count)
    base = np.where(rng.random(count) < 0.12, rng.uniform(0, 360, count), base)
    matrix = np.tile(np.eye(3), (count, SLOTS, 1, 1))
    mirrored = rng.random((count, SLOTS)) < 0.5
    # Two feet on a film are mostly a left and a right, toes the same way.
    pair = rng.random(count) < 0.8
    mirrored[:, 1] = np.where(pair, ~mirrored[:, 0], mirrored[:, 1])
    used = np.arange(SLOTS)[None] < number[:, None]
    half = side * pixel / 2
    for k in range(SLOTS):
        angle = np.radians(
            base + rng.normal(0, 7, count) + np.where(rng.random(count) < 0.1, rng.uniform(0, 360, count), 0)
        )
        c, s = np.cos(angle) / pixel, np.sin(angle) / pixel
        flip = np.where(mirrored[:, k], -1.0, 1.0)
        matrix[:, k, 0, 0], matrix[:, k, 0, 1] = flip * c, s
        matrix[:, k, 1, 0], matrix[:, k, 1, 1] = flip * s, -c
        reach = np.maximum(half - 95, 20)
        place = rng.uniform(-1, 1, (count, 2)) * reach[:, None]
        if k == 0:
            first = place
        else:
            apart = rng.choice([-1, 1], count) * rng.uniform(85, 170, count)
            across = np.stack([np.cos(np.radians(base)), np.sin(np.radians(base))], 1) * apart[:, None]
            place = first + across + rng.normal(0, 14, (count, 2))
            near = np.abs(place).max(1) < half + 10
            used[:, k] &= near
        matrix[:, k, :2, 2] = place / pixel[:, None] + (side - 1) / 2
    return matrix, mirrored, used, pixel


@dataclass(frozen=True)
class _Laid:
    """Path lengths on films with up to ``SLOTS`` feet each, and where these lie.

    Attributes
    ----------
    lengths : Tensor, shape (B, 3, S, S)
        Through cortical bone, spongy bone and soft tissue, mm.
    metal : Tensor, shape (B, S, S)
        Through metal, mm.
    anchors : Tensor, shape (B, SLOTS, A, 2)
        Points that place a crop, pixels of the film.
    placed : Tensor of bool, shape (B, SLOTS, A)
        Whether the foot has them.
    views : Tensor of int, shape (B, SLOTS)
        Numbers in ``VIEWS``.
    """

    lengths: Tensor
    metal: Tensor
    anchors: Tensor
    placed: Tensor
    views: Tensor


def _anchors(device: torch.device) -> tuple[Tensor, Tensor]:
    """Numbers of the anchors in the schema, and their weights."""
    settings, schema = reading_settings(), landmark_schema()
    index = torch.tensor([schema.index(a.code) for a in settings.anchors], device=device)
    weights = torch.as_tensor(settings.anchor_weights, dtype=torch.float32, device=device)
    return index, weights


def _lay(
    pool: Pool,
    film_from_foot: Tensor,
    used: np.ndarray,
    pixel_mm: Tensor,
    rng: np.random.Generator,
    generator: torch.Generator,
    degrade: DegradeSettings,
) -> _Laid:
    """Lay feet of the pool, and what they carry, on films by the maps ``film_from_foot`` (B, SLOTS, 3, 3)."""
    count, side, device, pitch = len(used), reading_settings().film_side, pool.device, pool.settings.pitch_mm
    index, weights = _anchors(device)
    middle_of = weights / weights.sum()
    total = torch.zeros(count, 3, side, side, device=device)
    metal = torch.zeros(count, side, side, device=device)
    anchors, present, views = [], [], []
    for k in range(SLOTS):
        number = pool.draw(count, generator)
        points = pool.points[number]
        views.append(pool.views[number])
        middle = (points[:, index] * middle_of[:, None]).sum(1)
        middle = torch.where(
            (views[-1] == VIEWS.index("other"))[:, None],
            middle.new_tensor([290.0, 560.0]) * 0.34 / pitch,
            middle,
        )
        foot_from_pool = torch.zeros(count, 3, 3, device=device)
        foot_from_pool[:, 0, 0], foot_from_pool[:, 1, 1], foot_from_pool[:, 2, 2] = pitch, -pitch, 1
        foot_from_pool[:, 0, 2], foot_from_pool[:, 1, 2] = -pitch * middle[:, 0], pitch * middle[:, 1]
        film_from_pool = film_from_foot[:, k] @ foot_from_pool
        lengths = warp(pool.lengths[number].float(), torch.linalg.inv(film_from_pool), (side, side), fill="zeros")
        there = move_points(film_from_pool, points)
        on = send(used[:, k], device)
        total += lengths * on[:, None]
        chosen = choose_carried(rng, count, degrade.conditions.model_dump())
        added = carry(chosen, lengths[:, 2], there, pixel_mm.to(device), rng, generator, degrade.conditions.strength)
        if added is not None:
            foot = on * (views[-1] != VIEWS.index("other"))[:, None, None]
            total[:, 2] += foot * added.soft
            metal += foot * added.metal
        anchors.append(there[:, index])
        present.append(pool.placed[number][:, index])
    return _Laid(total, metal, torch.stack(anchors, 1), torch.stack(present, 1), torch.stack(views, 1))


@torch.no_grad()
def locator_batch(
    pool: Pool,
    count: int,
    rng: np.random.Generator,
    generator: torch.Generator,
    marks: Tensor,
    intensity: Intensity | None,
    degrade: DegradeSettings | None = None,
) -> LocatorBatch:
    """Compose, expose and degrade small films with their targets.

    Parameters
    ----------
    pool, count, rng, generator, marks, intensity, degrade
        As for :func:`~raysplay.train.landmark_batch.landmark_batch`, films in the place of crops.

    Returns
    -------
    LocatorBatch
    """
    degrade = degrade or degrade_settings().locator
    side, device = reading_settings().film_side, pool.device
    placed, mirrored, used, pixel = _placements(rng, count, side)
    pixel_mm = torch.from_numpy(pixel.astype(np.float32))
    photographed = some(rng, count, degrade.wear.photographed)
    photo_from_film = np.tile(np.eye(3), (count, 1, 1))
    photo_from_film[photographed] = np.linalg.inv(
        draw_angles(rng, len(photographed), (side, side), degrade.wear.strength)
    )
    film_from_foot = send(photo_from_film[:, None] @ placed, device, 0)
    laid = _lay(pool, film_from_foot, used, pixel_mm, rng, generator, degrade)

    images, shown = expose_batch(
        laid.lengths,
        laid.metal,
        pixel_mm,
        float(np.median(pixel)),
        photographed,
        Showing(marks, intensity, degrade, _BEYOND),
        rng,
        generator,
        film_shape=lambda: _narrowed(rng, count, side, device),
    )
    return LocatorBatch(images, _target(laid, used, mirrored, shown))


def _narrowed(rng: np.random.Generator, count: int, side: int, device: torch.device) -> Tensor:
    """Where there is film (B, S, S): one that is not square leaves two black bands."""
    narrow = np.where(rng.random(count) < 0.7, rng.uniform(0.5, 1.0, count), 1.0)
    upright = rng.random(count) < 0.75
    x = torch.linspace(-1, 1, side, device=device).abs()
    band = torch.as_tensor(narrow, dtype=torch.float32, device=device)[:, None]
    wide = x[None] <= band
    tall = torch.ones_like(wide)
    up = torch.as_tensor(upright, device=device)[:, None]
    return torch.where(up, tall, wide)[:, :, None] & torch.where(up, wide, tall)[:, None, :]


def _target(laid: _Laid, used: np.ndarray, mirrored: np.ndarray, shown_field: Tensor) -> dict[str, Tensor]:
    """Targets of ``locator_loss`` for feet on films of which ``shown_field`` (B, S, S) is exposed and on the film."""
    at, view, device, side = laid.anchors, laid.views, laid.anchors.device, shown_field.shape[-1]
    _, weights = _anchors(device)
    column = at[..., 0].round().long().clamp(0, side - 1)
    row = at[..., 1].round().long().clamp(0, side - 1)
    shown = shown_field.flatten(1).gather(1, (row * side + column).flatten(1)).reshape(row.shape)
    inside = ((at > 0) & (at < side - 1)).all(-1) & shown & laid.placed
    seen = (inside.float() * weights).sum(-1) / weights.sum()
    is_foot = torch.as_tensor(used, device=device) & (view != VIEWS.index("other"))
    centre = (at * (weights / weights.sum())[:, None]).sum(2)
    cell = ((centre - (STRIDE - 1) / 2) / STRIDE).round().long()
    cells = side // STRIDE
    within = ((cell >= 0) & (cell < cells)).all(-1)
    # Feet of which little is on the film are neither asked for nor forbidden.
    positive = is_foot & within & (seen > LEAST_SEEN)

    image, slot = torch.nonzero(positive).unbind(1)
    around = torch.tensor([(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1)], device=device)
    c = cell[image, slot]
    rows = (c[:, None, 1] + around[:, 0]).clamp(0, cells - 1)
    columns = (c[:, None, 0] + around[:, 1]).clamp(0, cells - 1)
    place = torch.stack([columns, rows], -1) * STRIDE + (STRIDE - 1) / 2
    offsets = (at[image, slot][:, None] - place[:, :, None]) / UNIT
    repeat = len(around)
    side_known = (view[image, slot] != VIEWS.index("lateral")).float()
    left = torch.as_tensor(mirrored, device=device)[image, slot]
    held = inside[image, slot].float() * 0.9 + 0.1
    return {
        "heat": _heat(cell, positive, is_foot & (seen > 0.2), cells),
        "cell": torch.stack([image[:, None].expand(-1, repeat), rows, columns], -1).reshape(-1, 3),
        "offsets": offsets.reshape(-1, *offsets.shape[2:]),
        "weight": held[:, None].expand(-1, repeat, -1).reshape(-1, len(weights)),
        "left": left.float()[:, None].expand(-1, repeat).reshape(-1),
        "side_weight": side_known[:, None].expand(-1, repeat).reshape(-1),
        "view": view[image, slot][:, None].expand(-1, repeat).reshape(-1),
    }


def _heat(cell: Tensor, positive: Tensor, partly: Tensor, cells: int) -> Tensor:
    """Map of centres (B, cells, cells): 1 at feet to be found, less at those of which a part is seen."""
    grid = torch.arange(cells, device=cell.device)
    heat = torch.zeros(len(cell), cells, cells, device=cell.device)
    for k in range(SLOTS):
        gx = torch.exp(-0.5 * ((grid - cell[:, k, :1]) / HEAT_SPREAD) ** 2)
        gy = torch.exp(-0.5 * ((grid - cell[:, k, 1:]) / HEAT_SPREAD) ** 2)
        peak = gy[:, :, None] * gx[:, None, :]
        strength = torch.where(positive[:, k], 1.0, torch.where(partly[:, k], 0.9, 0.0))
        heat = torch.maximum(heat, peak * strength[:, None, None])
    return heat

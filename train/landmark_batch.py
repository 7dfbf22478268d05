"""Batches for the landmark network: upright crops as a locator would lay them, a little off."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import torch
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.infer.network.landmark_network import VIEWS
from raysplay.infer.settings import reading_settings
from raysplay.infer.warp import warp
from raysplay.synthetic_data.film.formation import form
from raysplay.synthetic_data.film.look import draw_looks
from raysplay.train.degrade import add_marks, exposed_field, lose_resolution, vary_grey
from raysplay.train.intensity import Intensity
from raysplay.train.pool import Pool
from raysplay.train.real_films import MARGIN, RealCrops

REAL_PIXEL_MM = 0.4
"""Size of a crop pixel on an average foot, taken for real crops, whose scale is unknown."""


@dataclass(frozen=True)
class LandmarkBatch:
    """Crops (B, R, C) with their truth: points (B, L, 2) in crop pixels, visible (B, L), view (B,), pixel size.

    ``labelled`` (B,) is False for real crops of which only the view is known.
    """

    images: Tensor
    points: Tensor
    visible: Tensor
    view: Tensor
    pixel_mm: Tensor
    labelled: Tensor


def lay_crops(points: Tensor) -> Tensor:
    """Ideal crops over feet: source_from_crop (B, 3, 3) by weighted least squares on the anchors."""
    settings, schema = reading_settings(), landmark_schema()
    index = [schema.index(a.code) for a in settings.anchors]
    target = torch.as_tensor(settings.anchor_points, dtype=torch.float32, device=points.device)
    w = torch.as_tensor(settings.anchor_weights, dtype=torch.float32, device=points.device)
    w = (w / w.sum())[None, :, None]
    t = points[:, index]
    mean_s, mean_t = (w * target).sum(1, keepdim=True), (w * t).sum(1, keepdim=True)
    s, t = target - mean_s, t - mean_t
    spread = (w * s * s).sum((1, 2))
    a = (w * s * t).sum((1, 2)) / spread
    b = (w[..., 0] * (s[..., 0] * t[..., 1] - s[..., 1] * t[..., 0])).sum(1) / spread
    zero, one = torch.zeros_like(a), torch.ones_like(a)
    matrix = torch.stack([a, -b, zero, b, a, zero, zero, zero, one], dim=1).reshape(-1, 3, 3)
    matrix[:, :2, 2] = (mean_t[:, 0, :, None] - matrix[:, :2, :2] @ mean_s[0, 0, :, None])[..., 0]
    return matrix


def _jitter(rng: np.random.Generator, count: int, size: tuple[int, int]) -> np.ndarray:
    """Small similarities of the crop about its centre, (B, 3, 3)."""
    rows, columns = size
    wild = rng.random(count) < 0.25
    angle = np.radians(np.where(wild, rng.uniform(-25, 25, count), rng.normal(0, 4, count)))
    scale = np.exp(np.where(wild, rng.uniform(-0.25, 0.25, count), rng.normal(0, 0.05, count)))
    shift = np.where(wild[:, None], rng.uniform(-45, 45, (count, 2)), rng.normal(0, 9, (count, 2)))
    c, s = scale * np.cos(angle), scale * np.sin(angle)
    matrix = np.zeros((count, 3, 3))
    matrix[:, 0, 0], matrix[:, 0, 1], matrix[:, 1, 0], matrix[:, 1, 1], matrix[:, 2, 2] = c, -s, s, c, 1
    middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
    matrix[:, :2, 2] = middle + shift - np.einsum("bij,j->bi", matrix[:, :2, :2], middle)
    return matrix


@torch.no_grad()
def landmark_batch(
    pool: Pool,
    count: int,
    rng: np.random.Generator,
    generator: torch.Generator,
    marks: Tensor,
    intensity: Intensity | None,
) -> LandmarkBatch:
    """Cut, expose and degrade ``count`` crops from the store."""
    settings = reading_settings()
    size = settings.crop_size
    device = pool.device
    number = pool.draw(count, generator)
    points, view = pool.points[number], pool.views[number]
    jitter = torch.as_tensor(_jitter(rng, count, size), dtype=torch.float32, device=device)
    other = view == VIEWS.index("other")
    matrix = lay_crops(torch.where(other[:, None, None], _stand_in(pool, points), points)) @ jitter
    lengths = warp(pool.lengths[number], matrix.to(torch.float32), size, fill="zeros").float()

    # A second foot may reach into the crop from the side.
    beside = np.nonzero(rng.random(count) < 0.12)[0]
    if len(beside):
        where = torch.as_tensor(beside, device=device)
        guest = pool.draw(len(beside), generator, VIEWS.index("dp"))
        turn = torch.as_tensor(_jitter(rng, len(beside), size), dtype=torch.float32, device=device)
        turn[:, 0, 2] += torch.as_tensor(
            rng.choice([-1, 1], len(beside)) * rng.uniform(250, 420, len(beside)),
            dtype=torch.float32,
            device=device,
        )
        placed = lay_crops(pool.points[guest]) @ turn
        lengths[where] += warp(pool.lengths[guest], placed, size, fill="zeros").float()

    pixel = torch.linalg.det(matrix[:, :2, :2]).abs().sqrt() * pool.settings.pitch_mm
    look = draw_looks(rng, count).to(device)
    images = form(lengths[:, 0], lengths[:, 1], lengths[:, 2], look, pixel, generator)
    field = exposed_field(rng, count, size, device, 0.25, 0.35)
    outside = torch.as_tensor(
        rng.choice([0.0, 0.02, 1.0], count, p=[0.6, 0.25, 0.15]), dtype=torch.float32, device=device
    )
    images = torch.where(field, images, outside[:, None, None])
    images = add_marks(images, marks, rng, 0.12, 34)
    quarter = -(-count // 4)
    factors = [1.0, *np.exp(rng.uniform(0, np.log(3.2), 3))]
    images = torch.cat(
        [lose_resolution(part, float(f)) for part, f in zip(torch.split(images, quarter), factors, strict=False)]
    )
    if intensity is not None:
        images = intensity(images, rng)

    crop_from_store = torch.linalg.inv(matrix)
    at = points @ crop_from_store[:, :2, :2].transpose(1, 2) + crop_from_store[:, None, :2, 2]
    rows, columns = size
    inside = (at[..., 0] > 0) & (at[..., 0] < columns - 1) & (at[..., 1] > 0) & (at[..., 1] < rows - 1)
    column = at[..., 0].round().long().clamp(0, columns - 1)
    row = at[..., 1].round().long().clamp(0, rows - 1)
    shown = field.flatten(1).gather(1, row * columns + column)
    return LandmarkBatch(images, at, inside & shown & ~other[:, None], view, pixel, torch.ones_like(other))


def _stand_in(pool: Pool, points: Tensor) -> Tensor:
    """Where a foot would lie: crops of things without landmarks are laid as if one were there."""
    first = torch.nonzero(pool.views[: pool.filled] == 0)[:1, 0]
    return pool.points[first].expand_as(points) if len(first) else points


@torch.no_grad()
def real_batch(
    real: RealCrops, count: int, rng: np.random.Generator, generator: torch.Generator, intensity: Intensity | None
) -> LandmarkBatch:
    """Lay and show anew ``count`` real crops; views are drawn equally often."""
    size = reading_settings().crop_size
    device = real.images.device
    classes = torch.unique(real.view)
    wanted = classes[torch.as_tensor(rng.integers(len(classes), size=count), device=device)]
    noise = torch.rand(count, len(real), generator=generator, device=device)
    number = torch.where(real.view[None] == wanted[:, None], noise, -1.0).argmax(1)
    matrix = torch.as_tensor(_jitter(rng, count, size), dtype=torch.float32, device=device)
    matrix[:, :2, 2] += MARGIN
    images = warp(real.images[number][:, None].float() / 255, matrix, size)[:, 0]
    images = vary_grey(images, rng, generator)
    half = -(-count // 2)
    factors = [1.0, float(np.exp(rng.uniform(0, np.log(2.0))))]
    images = torch.cat([lose_resolution(part, f) for part, f in zip(torch.split(images, half), factors, strict=False)])
    if intensity is not None:
        images = intensity(images, rng)
    crop_from_store = torch.linalg.inv(matrix)
    at = real.points[number] @ crop_from_store[:, :2, :2].transpose(1, 2) + crop_from_store[:, None, :2, 2]
    rows, columns = size
    inside = (at[..., 0] > 0) & (at[..., 0] < columns - 1) & (at[..., 1] > 0) & (at[..., 1] < rows - 1)
    known = real.known[number]
    pixel = torch.full((count,), REAL_PIXEL_MM, device=device)
    return LandmarkBatch(images, at, known & inside, real.view[number], pixel, known.any(1))


def join(a: LandmarkBatch, b: LandmarkBatch) -> LandmarkBatch:
    """One batch of two."""
    return LandmarkBatch(*(torch.cat([getattr(a, f.name), getattr(b, f.name)]) for f in fields(a)))

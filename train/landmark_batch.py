"""Batches for the landmark network: upright crops as a locator would lay them, a little off."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import torch
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.decide.needed import needed_landmarks
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.settings import reading_settings
from raysplay.measure.registry import by_name
from raysplay.synthetic_data.film.aids import draw_aids
from raysplay.synthetic_data.film.carried import CARRIED, carry, choose_carried
from raysplay.synthetic_data.film.covered import COVERED_SHARE, covered_share
from raysplay.synthetic_data.film.draws import send, send_index, some
from raysplay.synthetic_data.film.parts import parts_path, table
from raysplay.synthetic_data.film.screen import draw_angles, move_points
from raysplay.train.degrade import DegradeSettings, archive, degrade_settings, vary_grey
from raysplay.train.exposed_batch import Showing, expose_batch
from raysplay.train.intensity import Intensity
from raysplay.train.pool import Pool
from raysplay.train.real_crops.real_films import MARGIN, RealCrops
from raysplay.train.warp import warp

REAL_PIXEL_MM = 0.4
"""Size of a crop pixel on an average foot, taken for real crops, whose scale is unknown."""

_BEYOND = {0.0: 0.6, 0.02: 0.25, 1.0: 0.15}
"""Grey values beyond the exposed field and their shares."""

CLEAR_SHARE = 0.06
"""Below this share of covered landmarks a foot counts as free of another; up to ``COVERED_SHARE`` neither is said."""


@dataclass(frozen=True)
class LandmarkBatch:
    """Crops (B, R, C) with their truth: points (B, L, 2) in crop pixels, visible (B, L), view (B,), pixel size.

    ``labelled`` (B, L): whether it is known if the landmark is there; ``conditions`` (B, K): 1 or 0 in the order of
    ``CONDITIONS``, nan where not known.
    """

    images: Tensor
    points: Tensor
    visible: Tensor
    view: Tensor
    pixel_mm: Tensor
    labelled: Tensor
    conditions: Tensor


def lay_crops(points: Tensor) -> Tensor:
    """Ideal crops over feet, by weighted least squares on the anchors.

    Parameters
    ----------
    points : Tensor, shape (B, L, 2)
        Landmarks in pixels of the source, schema order.

    Returns
    -------
    Tensor, shape (B, 3, 3)
        Similarities source_from_crop: pixels of the crop to pixels of the source.
    """
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


def crop_jitter(rng: np.random.Generator, count: int, size: tuple[int, int]) -> np.ndarray:
    """Small similarities of the crop about its centre, (B, 3, 3).

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
    size : (rows, columns)
        Of the crop.

    Returns
    -------
    ndarray, shape (count, 3, 3)
    """
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
    degrade: DegradeSettings | None = None,
) -> LandmarkBatch:
    """Cut, expose and degrade crops of feet from the pool.

    Parameters
    ----------
    pool : Pool
        Feet to cut them from.
    count : int
        Crops.
    rng, generator
        Numbers on the processor and on the device of the pool; drawn from in one order.
    marks : Tensor, shape (M, h, w)
        Bitmaps of ``draw_marks``.
    intensity : Intensity, optional
        Grey-value changes of the extra ``train``; none are made without.
    degrade : DegradeSettings, optional
        Those of ``degrade.yaml`` by default.

    Returns
    -------
    LandmarkBatch
    """
    degrade = degrade or degrade_settings().landmarks
    size = reading_settings().crop_size
    device = pool.device
    number = pool.draw(count, generator)
    points, view, conditions = pool.points[number], pool.views[number], pool.conditions[number]
    other = view == VIEWS.index("other")
    laid = lay_crops(torch.where(other[:, None, None], _stand_in(pool, points), points)) @ _sent(
        crop_jitter(rng, count, size), device
    )
    # A photograph of a screen is one more map of the plane: it goes into the one matrix that points go through.
    photographed = some(rng, count, degrade.wear.photographed)
    angles = np.tile(np.eye(3), (count, 1, 1))
    angles[photographed] = draw_angles(rng, len(photographed), size, degrade.wear.strength)
    matrix = laid @ _sent(angles, device)
    # Half the precision is enough for lengths, but not for the places that a picture of it is read at.
    lengths = warp(pool.lengths[number].float(), matrix, size, fill="zeros")
    at = move_points(torch.linalg.inv(matrix), points)
    placed = pool.placed[number] & ~other[:, None]
    inside = _in_crop(at, size) & placed
    pixel = torch.linalg.det(laid[:, :2, :2]).abs().sqrt() * pool.settings.pitch_mm

    lengths, over = _add_guests(lengths, at, inside, pool, rng, generator, degrade)
    own = conditions[:, CONDITIONS.index("overlap")]
    conditions[:, CONDITIONS.index("overlap")] = torch.where(other | (own > 0), own, over)
    soft, metal, carried = _with_carried(lengths[:, 2], at, pixel, ~other, rng, generator, degrade)
    lengths = torch.stack([lengths[:, 0], lengths[:, 1], soft], 1)
    conditions = torch.where(carried, (~other).float()[:, None], conditions)

    # Sizes of filters are needed on the processor; fetched once, the device is waited for once.
    pixel_mm = pixel.cpu()
    usual, showing = float(pixel_mm.median()), Showing(marks, intensity, degrade, _BEYOND)
    images, field = expose_batch(lengths, metal, pixel_mm, usual, photographed, showing, rng, generator)
    shown = _in_field(field, at)
    conditions[:, CONDITIONS.index("cut_off")] = _cut_off(placed, inside, shown)
    return LandmarkBatch(images, at, inside & shown, view, pixel, torch.ones_like(inside), conditions)


def _in_crop(at: Tensor, size: tuple[int, int]) -> Tensor:
    """Whether points (B, L, 2) lie within crops of (rows, columns)."""
    rows, columns = size
    return (at[..., 0] > 0) & (at[..., 0] < columns - 1) & (at[..., 1] > 0) & (at[..., 1] < rows - 1)


def _in_field(field: Tensor, at: Tensor) -> Tensor:
    """What ``field`` (B, R, C) says at points (B, L, 2), those beside the crop taken at its edge."""
    rows, columns = field.shape[1:]
    column = at[..., 0].round().long().clamp(0, columns - 1)
    row = at[..., 1].round().long().clamp(0, rows - 1)
    return field.flatten(1).gather(1, row * columns + column)


def _with_carried(
    soft: Tensor,
    at: Tensor,
    pixel: Tensor,
    is_foot: Tensor,
    rng: np.random.Generator,
    generator: torch.Generator,
    degrade: DegradeSettings,
) -> tuple[Tensor, Tensor | None, Tensor]:
    """Soft tissue (B, R, C) with what feet carry and lie on, metal over them if any, and who carries what (B, K)."""
    count, device = len(soft), soft.device
    chosen = choose_carried(rng, count, degrade.conditions.model_dump())
    added = carry(chosen, soft, at, pixel, rng, generator, degrade.conditions.strength)
    carried = torch.zeros(count, len(CONDITIONS), dtype=torch.bool, device=device)
    for name in CARRIED:
        if len(chosen[name]):
            carried[send_index(chosen[name], device), CONDITIONS.index(name)] = True
    metal = None
    if added is not None:
        foot = is_foot.float()[:, None, None]
        soft, metal = soft + foot * added.soft, foot * added.metal
    helped = some(rng, count, degrade.wear.aids)
    if len(helped):
        where = send_index(helped, device)
        aids = table([draw_aids(rng) for _ in helped], device)
        soft = soft.index_add(0, where, parts_path(aids, at[where], pixel[where], (soft.shape[1], soft.shape[2])))
    return soft, metal, carried


def _cut_off(placed: Tensor, inside: Tensor, shown: Tensor) -> Tensor:
    """Whether the edge of the field cuts off a landmark that decides over a foot, (B,); nan where the crop may have.

    ``placed``, ``inside``, ``shown`` (B, L): whether a landmark is there at all, in the crop, and in the field.
    """
    measures = [by_name(name) for name in decision_settings().interval.decides]
    needed = needed_landmarks(landmark_schema(), measures)
    cut = (inside & ~shown)[:, needed].any(1)
    beyond = (placed & ~inside)[:, needed].any(1)
    return torch.where(cut, 1.0, torch.where(beyond, torch.nan, 0.0))


def _sent(values: np.ndarray, device: torch.device) -> Tensor:
    return send(values, device, 0)


def _add_guests(
    lengths: Tensor,
    at: Tensor,
    counted: Tensor,
    pool: Pool,
    rng: np.random.Generator,
    generator: torch.Generator,
    degrade: DegradeSettings,
) -> tuple[Tensor, Tensor]:
    """Let second feet reach into crops from the side, or lie over the first ones.

    Returns
    -------
    lengths : Tensor, shape (B, 3, R, C)
    over : Tensor, shape (B,)
        1 where a large share of the counted landmarks is covered, 0 where hardly any is, nan between.
    """
    count, size = len(lengths), (lengths.shape[2], lengths.shape[3])
    device = lengths.device
    over = torch.zeros(count, device=device)
    chance = rng.random(count)
    chosen = np.nonzero(chance < degrade.beside + degrade.conditions.overlap)[0]
    if len(chosen) == 0:
        return lengths, over
    above = chance[chosen] < degrade.conditions.overlap
    aside = rng.choice([-1, 1], len(chosen)) * rng.uniform(0.65, 1.1, len(chosen)) * size[1]
    aside = np.where(above, rng.normal(0, 0.14, len(chosen)) * size[1], aside)
    turn = crop_jitter(rng, len(chosen), size)
    turn[:, 0, 2] += aside
    where = send_index(chosen, device)
    guest = pool.draw(len(chosen), generator, VIEWS.index("dp"))
    placed = lay_crops(pool.points[guest]) @ _sent(turn, device)
    added = warp(pool.lengths[guest].float(), placed, size, fill="zeros")
    share = covered_share(added[:, 0] + added[:, 1], at[where], counted[where])
    unsure = torch.where(share < CLEAR_SHARE, 0.0, torch.nan)
    over = over.index_copy(0, where, torch.where(share >= COVERED_SHARE, 1.0, unsure))
    return lengths.index_add(0, where, added), over


def _stand_in(pool: Pool, points: Tensor) -> Tensor:
    """Where a foot would lie: crops of things without landmarks are laid as if one were there."""
    first = torch.nonzero(pool.views[: pool.filled] == 0)[:1, 0]
    return pool.points[first].expand_as(points) if len(first) else points


@torch.no_grad()
def real_batch(
    real: RealCrops, count: int, rng: np.random.Generator, generator: torch.Generator, intensity: Intensity | None
) -> LandmarkBatch:
    """Lay and show anew real crops; views are drawn equally often.

    Parameters
    ----------
    real : RealCrops
    count : int
        Crops.
    rng, generator
        Numbers on the processor and on the device of the crops; drawn from in one order.
    intensity : Intensity, optional
        Grey-value changes of the extra ``train``; none are made without.

    Returns
    -------
    LandmarkBatch
        Landmarks and conditions that nobody named are not visible, or nan, and cost nothing.
    """
    size = reading_settings().crop_size
    device = real.images.device
    classes = torch.unique(real.view)
    wanted = classes[torch.as_tensor(rng.integers(len(classes), size=count), device=device)]
    noise = torch.rand(count, len(real), generator=generator, device=device)
    number = torch.where(real.view[None] == wanted[:, None], noise, -1.0).argmax(1)
    matrix = torch.as_tensor(crop_jitter(rng, count, size), dtype=torch.float32, device=device)
    matrix[:, :2, 2] += MARGIN
    images = warp(real.images[number][:, None].float() / 255, matrix, size)[:, 0]
    images = vary_grey(images, rng, generator)
    images = archive(images, REAL_PIXEL_MM, rng, degrade_settings().landmarks)
    if intensity is not None:
        images = intensity(images, rng)
    at = move_points(torch.linalg.inv(matrix), real.points[number])
    inside = _in_crop(at, size)
    known = real.known[number]
    pixel = torch.full((count,), REAL_PIXEL_MM, device=device)
    return LandmarkBatch(images, at, known & inside, real.view[number], pixel, known, real.conditions[number])


def join(a: LandmarkBatch, b: LandmarkBatch) -> LandmarkBatch:
    """One batch of two."""
    return LandmarkBatch(*(torch.cat([getattr(a, f.name), getattr(b, f.name)]) for f in fields(a)))

"""What archives do to a film after it was made: loss of resolution, collimation, marks, lost corners."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from pydantic import Field
from torch import Tensor

from raysplay.configs.load import Config, load, shipped
from raysplay.synthetic_data.film.draws import send, send_index, some
from raysplay.synthetic_data.film.marks import side_letter, sign, text_lines
from raysplay.synthetic_data.film.settings import ConditionSettings, Range, Share, WearSettings, archive_settings
from raysplay.synthetic_data.film.wear import draw_quality, lose_resolution


class DegradeSettings(Config):
    """What is done to the feet and films of one network's batches."""

    conditions: ConditionSettings
    wear: WearSettings
    coarse_share: Share = 0.0
    coarse_mm: Range = (0.01, 0.01)
    fine_mm: Range = (0.01, 0.01)
    beside: Share = 0.0
    field: Share = 0.0
    field_inset: Share = 0.0
    field_deep: Share = 0.0
    marks: Share = 0.0
    mark_height: float = Field(default=34, gt=0)


class BatchSettings(Config):
    """``degrade.yaml``."""

    landmarks: DegradeSettings
    locator: DegradeSettings


@lru_cache(maxsize=1)
def degrade_settings() -> BatchSettings:
    """The shipped settings."""
    return load(BatchSettings, shipped("degrade.yaml"))


def no_degradation() -> DegradeSettings:
    """Feet as they were projected, on films without wear; a base for a single condition at a known strength."""
    return DegradeSettings(conditions=ConditionSettings(), wear=WearSettings())


MARK_SIZE = (32, 96)
"""Rows and columns of a mark's bitmap."""

MARK_PIXEL_MM = 0.2
"""Size of a pixel that marks are drawn with before they are fitted to their bitmap."""

RESOLUTIONS = 8
"""Resolutions in a batch; films of one are shrunk together."""


def archive(images: Tensor, pixel_mm: float, rng: np.random.Generator, settings: DegradeSettings) -> Tensor:
    """Films as they come back from an archive: fewer pixels, compressed at that size.

    ``pixel_mm`` is the usual size of a pixel of ``images``. The films of a batch stand in no order, so that each
    resolution takes the next ones of them.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    pixel_mm : float
    rng : numpy.random.Generator
    settings : DegradeSettings

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    coarse = round(RESOLUTIONS * settings.coarse_share)
    low, high = np.log(settings.fine_mm)
    fine = np.exp(rng.uniform(low, high, RESOLUTIONS - coarse))
    wanted = np.concatenate([rng.uniform(*settings.coarse_mm, coarse), fine])
    parts = torch.tensor_split(images, RESOLUTIONS)
    archived = []
    for part, mm in zip(parts, rng.permutation(wanted), strict=True):
        quality = None
        if settings.wear.jpeg > 0:
            quality = draw_quality(rng, len(part), settings.wear.jpeg).to(images.device, non_blocking=True)
        if len(part):
            archived.append(lose_resolution(part, float(mm) / pixel_mm, quality))
    return torch.cat(archived)


def exposed_field(
    rng: np.random.Generator,
    count: int,
    size: tuple[int, int],
    device: torch.device,
    settings: DegradeSettings,
) -> Tensor:
    """Masks (B, R, C) of the exposed field: all, or a rectangle at an odd angle.

    Its sides cut up to ``field_inset``; of ``field_deep`` of the rectangles one side may cut up to the middle.

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
    size : (rows, columns)
    device : torch.device
    settings : DegradeSettings

    Returns
    -------
    Tensor of bool, shape (count, rows, columns)
    """
    rows, columns = size
    y, x = torch.meshgrid(
        torch.linspace(-1, 1, rows, device=device),
        torch.linspace(-1, 1, columns, device=device),
        indexing="ij",
    )
    cut = rng.random(count) < settings.field
    angle = send(rng.normal(0, 0.12, count), device)
    insets = rng.uniform(-0.3, settings.field_inset, (4, count))
    deep = np.nonzero(rng.random(count) < settings.field_deep)[0]
    insets[rng.integers(4, size=len(deep)), deep] = rng.uniform(settings.field_inset, 1.0, len(deep))
    edges = np.where(cut, 1 - insets, 9.0)
    left, right, top, bottom = send(edges, device)
    u, v = x * torch.cos(angle) + y * torch.sin(angle), y * torch.cos(angle) - x * torch.sin(angle)
    field: Tensor = (u > -left) & (u < right) & (v > -top) & (v < bottom)
    return field


def add_marks(images: Tensor, marks: Tensor, rng: np.random.Generator, share: float, height: float) -> Tensor:
    """Print bright marks (M, h, w) at random places, sizes and turns on a share of the images.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    marks : Tensor, shape (M, h, w)
        Ink, 0 to 1.
    rng : numpy.random.Generator
    share : float
        Of the images, for each of two rounds.
    height : float
        Usual height of a mark, pixels.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count, rows, columns = images.shape
    for _ in range(2):
        chosen = some(rng, count, share)
        if len(chosen) == 0:
            continue
        mark = marks[send_index(rng.integers(len(marks), size=len(chosen)), images.device)][:, None]
        tall = rng.uniform(0.4, 1.4, len(chosen)) * height
        angle = rng.choice([0, np.pi / 2, np.pi, -np.pi / 2], len(chosen), p=[0.7, 0.1, 0.1, 0.1])
        angle = angle + rng.normal(0, 0.08, len(chosen))
        flip = np.where(rng.random(len(chosen)) < 0.15, -1.0, 1.0)
        cx, cy = rng.uniform(-1, 1, len(chosen)), rng.uniform(-1, 1, len(chosen))
        sx, sy = columns / tall / (marks.shape[2] / marks.shape[1]), rows / tall
        # Grid of the mark, in its own -1..1, as seen from the image's -1..1.
        cos, sin = np.cos(angle), np.sin(angle)
        ratio = rows / columns
        theta = np.zeros((len(chosen), 2, 3))
        theta[:, 0] = np.stack(
            [flip * cos * sx, flip * sin * sx * ratio, -flip * (cos * cx + sin * cy * ratio) * sx], 1
        )
        theta[:, 1] = np.stack([-sin * sy / ratio, cos * sy, (sin * cx / ratio - cos * cy) * sy], 1)
        grid = F.affine_grid(send(theta, images.device, 0), [len(chosen), 1, rows, columns], align_corners=False)
        printed = F.grid_sample(mark, grid, padding_mode="zeros", align_corners=False)[:, 0]
        bright = send(rng.uniform(0.6, 1.0, len(chosen)), images.device)
        where = send_index(chosen, images.device)
        images = images.index_copy(0, where, torch.maximum(images[where], printed * bright))
    return images


def draw_marks(count: int = 96, seed: int = 5) -> Tensor:
    """Bitmaps (count, 32, 96) of the letters, texts and signs that composed films bear, too."""
    rng, settings = np.random.default_rng(seed), archive_settings().marks
    marks = np.zeros((count, *MARK_SIZE), np.float32)
    for k in range(count):
        if k % 8 == 7:
            stamp = sign(rng, settings, MARK_PIXEL_MM)
        elif k % 8 >= 5:
            stamp = text_lines(rng, settings, MARK_PIXEL_MM)
        else:
            stamp = side_letter(rng, settings, "RL"[k % 2], MARK_PIXEL_MM)
        ink = torch.from_numpy(stamp.ink)[None, None]
        if stamp.paper is not None and stamp.paper_grey > stamp.grey:
            ink = torch.from_numpy(stamp.paper)[None, None] - ink
        factor = min(MARK_SIZE[0] / ink.shape[2], MARK_SIZE[1] / ink.shape[3])
        rows, columns = (max(1, min(most, round(n * factor))) for n, most in zip(ink.shape[2:], MARK_SIZE, strict=True))
        fitted = F.interpolate(ink, size=(rows, columns), mode="bilinear", antialias=True, align_corners=False)[0, 0]
        top, left = (MARK_SIZE[0] - rows) // 2, (MARK_SIZE[1] - columns) // 2
        marks[k, top : top + rows, left : left + columns] = (fitted / fitted.max().clamp_min(1e-3)).clamp(0, 1)
    return torch.from_numpy(marks)


def vary_grey(images: Tensor, rng: np.random.Generator, generator: torch.Generator) -> Tensor:
    """Another display of films already made: contrast, brightness, curve, noise, edges, each drawn per image.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    rng, generator
        Numbers on the processor and on the device of the images; drawn from in one order.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count = len(images)

    def draw(values: np.ndarray) -> Tensor:
        return send(values, images.device)

    smooth = F.avg_pool2d(F.pad(images[:, None], (2, 2, 2, 2), mode="replicate"), 5, 1)[:, 0]
    images = images + draw(rng.uniform(-0.6, 1.2, count)) * (images - smooth)
    images = images.clamp(0, 1) ** draw(np.exp(rng.uniform(-0.6, 0.6, count)))
    images = images * draw(rng.uniform(0.6, 1.3, count)) + draw(rng.uniform(-0.08, 0.12, count))
    noise = torch.randn(images.shape, generator=generator, device=images.device)
    return (images + noise * draw(np.exp(rng.uniform(np.log(0.002), np.log(0.04), count)))).clamp(0, 1)

"""What plates, readers, archives and displays do to a film: each a function of pictures (B, R, C) of 0..1.

How strong and how often follows common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.synthetic_data.film.draws import send, send_index, some
from raysplay.synthetic_data.film.jpeg import compress
from raysplay.synthetic_data.film.screen import show_on_screen
from raysplay.synthetic_data.film.settings import WearSettings
from raysplay.synthetic_data.film.smooth import gaussian


def lose_resolution(images: Tensor, factor: float, quality: Tensor | None = None) -> Tensor:
    """Shrink by ``factor`` and enlarge again, as a film stored small and shown large; compress the small one.

    ``quality`` (B,) is that of :func:`compress`; films whose quality is above 100 are not compressed.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    factor : float
        Up to 1.05 nothing is shrunk.
    quality : Tensor, shape (B,), optional
        None is compressed without.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    if factor <= 1.05:
        return _compress_some(images, quality)
    rows, columns = images.shape[-2:]
    size = (max(8, round(rows / factor)), max(8, round(columns / factor)))
    small = F.interpolate(images[:, None], size=size, mode="bilinear", antialias=True, align_corners=False)
    small = _compress_some(small[:, 0], quality)[:, None]
    return F.interpolate(small, size=(rows, columns), mode="bilinear", align_corners=False)[:, 0]


def _compress_some(images: Tensor, quality: Tensor | None) -> Tensor:
    if quality is None:
        return images
    return torch.where((quality <= 100)[:, None, None], compress(images, quality.clamp(1, 100)), images)


def grid_lines(images: Tensor, rng: np.random.Generator, strength: float = 1.0) -> Tensor:
    """Lines of the grid that holds back scatter, and its shade toward one side.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    rng : numpy.random.Generator
    strength : float
        1 as met in practice.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count, rows, columns = images.shape
    pitch = np.exp(rng.uniform(np.log(1.8), np.log(7.0), count))
    angle = rng.choice([0.0, np.pi / 2], count) + rng.normal(0, 0.02, count)
    depth = strength * rng.uniform(0.006, 0.035, count)
    y = torch.arange(rows, device=images.device, dtype=torch.float32)[:, None]
    x = torch.arange(columns, device=images.device, dtype=torch.float32)
    kx, ky = (send(2 * np.pi * f(angle) / pitch, images.device) for f in (np.cos, np.sin))
    shade = send(rng.normal(0, 0.08, count), images.device) * (2 * x / columns - 1)
    return (images * (1 + send(depth, images.device) * torch.cos(kx * x + ky * y)) + shade).clamp(0, 1)


def dust(images: Tensor, rng: np.random.Generator, generator: torch.Generator, strength: float = 1.0) -> Tensor:
    """Specks, bright where they kept light from the plate.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    rng, generator
        Numbers on the processor and on the device of the images; drawn from in one order.
    strength : float
        1 as met in practice.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count = len(images)
    amount = send(strength * np.exp(rng.uniform(np.log(2e-5), np.log(8e-4), count)), images.device)
    chance = torch.rand(images.shape, generator=generator, device=images.device)
    grain = rng.uniform(0.4, 1.3, count)
    specks = gaussian((chance < amount).float(), torch.from_numpy(grain.astype(np.float32)))
    specks = specks * send(2 * np.pi * grain**2, images.device)
    bright = send(rng.uniform(0.3, 1.0, count) * rng.choice([1.0, -1.0], count, p=[0.8, 0.2]), images.device)
    return (images + bright * specks.clamp(0, 1)).clamp(0, 1)


def scratches(images: Tensor, rng: np.random.Generator, strength: float = 1.0) -> Tensor:
    """Up to four thin, slightly bent lines across a part of each film.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    rng : numpy.random.Generator
    strength : float
        1 as met in practice.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count, rows, columns = images.shape
    y = torch.arange(rows, device=images.device, dtype=torch.float32)[:, None]
    x = torch.arange(columns, device=images.device, dtype=torch.float32)
    for _ in range(4):
        angle = rng.uniform(0, np.pi, count)
        cx, cy = rng.uniform(0, columns, count), rng.uniform(0, rows, count)
        c, s = send(np.cos(angle), images.device), send(np.sin(angle), images.device)
        dx, dy = x - send(cx, images.device), y - send(cy, images.device)
        along, across = dx * c + dy * s, dy * c - dx * s
        long = send(np.exp(rng.uniform(np.log(20), np.log(0.7 * rows), count)), images.device)
        off = across - send(rng.normal(0, 4e-4, count), images.device) * along**2
        line = (send(rng.uniform(0.6, 1.6, count), images.device) - off.abs()).clamp(0, 1) * (along.abs() < long)
        bright = strength * rng.uniform(0.05, 0.6, count) * rng.choice([1.0, -1.0], count, p=[0.7, 0.3])
        bright *= rng.random(count) < 0.6
        images = images + send(bright, images.device) * line
    return images.clamp(0, 1)


def saturate(images: Tensor, rng: np.random.Generator, strength: float = 1.0) -> Tensor:
    """Hindfoot burnt white, toes burnt black, or the other way round: a slope of exposure along the film.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    rng : numpy.random.Generator
    strength : float
        1 as met in practice.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count, rows, columns = images.shape
    angle = rng.choice([0.0, np.pi], count) + rng.normal(0, 0.5, count)
    y = torch.linspace(-1, 1, rows, device=images.device)[:, None]
    x = torch.linspace(-1, 1, columns, device=images.device)
    ramp = send(np.sin(angle), images.device) * x + send(np.cos(angle), images.device) * y
    ramp = ramp - send(rng.uniform(-0.4, 0.6, count), images.device)
    gain = send(strength * rng.uniform(0.15, 0.7, count), images.device)
    both = send(rng.choice([0.0, 1.0], count, p=[0.6, 0.4]), images.device)
    slope = torch.where(both > 0, ramp, ramp.clamp_min(0))
    up = send(rng.choice([1.0, -1.0], count), images.device)
    return (images + gain * up * slope * (0.3 + images)).clamp(0, 1)


def sharpen(images: Tensor, pixel_mm: Tensor, rng: np.random.Generator, strength: float = 1.0) -> Tensor:
    """Unsharp masking far beyond what helps: halos along every edge. ``pixel_mm`` (B,) on the processor.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    pixel_mm : Tensor, shape (B,)
        Size of a pixel in mm.
    rng : numpy.random.Generator
    strength : float
        1 as met in practice.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count = len(images)
    width = torch.from_numpy(np.exp(rng.uniform(np.log(0.5), np.log(2.5), count)).astype(np.float32))
    amount = send(strength * rng.uniform(1.0, 4.0, count), images.device)
    return (images + amount * (images - gaussian(images, width / pixel_mm))).clamp(0, 1)


def curve(images: Tensor, rng: np.random.Generator, strength: float = 1.0) -> Tensor:
    """A display curve of a maker: rising, with six knots at odd heights.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    rng : numpy.random.Generator
    strength : float
        1 as met in practice.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count = len(images)
    steps = np.exp(strength * rng.normal(0, 0.55, (count, 6)))
    knots = np.concatenate([np.zeros((count, 1)), np.cumsum(steps, 1) / steps.sum(1, keepdims=True)], 1)
    knots = knots * rng.uniform(0.85, 1.0, (count, 1)) + rng.uniform(0, 0.1, (count, 1))
    table = send(knots, images.device, 0)
    place = images.clamp(0, 1).flatten(1) * 6
    low = place.long().clamp(max=5)
    share = place - low
    grey = table.gather(1, low) * (1 - share) + table.gather(1, low + 1) * share
    return grey.reshape(images.shape).clamp(0, 1)


def low_dose(images: Tensor, rng: np.random.Generator, generator: torch.Generator, strength: float = 1.0) -> Tensor:
    """Grain of too few quanta, strongest where little arrived.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    rng, generator
        Numbers on the processor and on the device of the images; drawn from in one order.
    strength : float
        1 as met in practice.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count = len(images)
    spread = send(strength * np.exp(rng.uniform(np.log(0.03), np.log(0.12), count)), images.device)
    noise = torch.randn(images.shape, generator=generator, device=images.device)
    noise = 1.6 * gaussian(noise, torch.from_numpy(rng.uniform(0.3, 0.7, count).astype(np.float32)))
    return (images + spread * (0.35 + 0.65 * images) * noise).clamp(0, 1)


COARSE_MM = (0.6, 1.0)
"""Pixels of films stored small, in mm on the foot; the open films at hand have 0.8 to 1."""


def draw_quality(rng: np.random.Generator, count: int, share: float, strength: float = 1.0) -> Tensor:
    """Qualities (count,) for :func:`lose_resolution`: 10 to 60 for a share, above 100 for the others.

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
    share : float
        0 to 1.
    strength : float
        Divides the qualities, which stay within 2 and 95.

    Returns
    -------
    Tensor of float32, shape (count,)
    """
    quality = (rng.uniform(10, 60, count) / strength).clip(2, 95)
    return torch.from_numpy(np.where(rng.random(count) < share, quality, 101.0).astype(np.float32))


def _each(
    images: Tensor, chosen: npt.NDArray[np.int64], change: Callable[[Tensor, npt.NDArray[np.int64]], Tensor]
) -> Tensor:
    """``change`` the chosen films and leave the others."""
    if len(chosen) == 0:
        return images
    where = send_index(chosen, images.device)
    return images.index_copy(0, where, change(images[where], chosen))


def spoil_plate(images: Tensor, rng: np.random.Generator, generator: torch.Generator, shares: WearSettings) -> Tensor:
    """What happens before a film is stored: too few quanta, wrong exposure, grid, dust, scratches.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    rng, generator
        Numbers on the processor and on the device of the images; drawn from in one order.
    shares : WearSettings

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count, strength = len(images), shares.strength
    images = _each(images, some(rng, count, shares.low_dose), lambda x, _: low_dose(x, rng, generator, strength))
    images = _each(images, some(rng, count, shares.saturated), lambda x, _: saturate(x, rng, strength))
    images = _each(images, some(rng, count, shares.grid), lambda x, _: grid_lines(x, rng, strength))
    images = _each(images, some(rng, count, shares.dust), lambda x, _: dust(x, rng, generator, strength))
    return _each(images, some(rng, count, shares.scratches), lambda x, _: scratches(x, rng, strength))


def spoil_display(
    images: Tensor,
    pixel_mm: Tensor,
    rng: np.random.Generator,
    shares: WearSettings,
    photographed: npt.NDArray[np.int64],
) -> Tensor:
    """What happens when a film is shown: curves, halos, a camera before the screen, reversal.

    ``pixel_mm`` (B,) is on the processor. ``photographed``: numbers of the films whose geometry the caller has
    changed by ``draw_angles``; here they get the look of it.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    pixel_mm : Tensor, shape (B,)
        Size of a pixel in mm.
    rng : numpy.random.Generator
    shares : WearSettings
    photographed : ndarray of int, shape (K,)

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count, strength = len(images), shares.strength
    images = _each(images, some(rng, count, shares.curve), lambda x, _: curve(x, rng, strength))
    images = _each(
        images, some(rng, count, shares.unsharp), lambda x, k: sharpen(x, pixel_mm[torch.from_numpy(k)], rng, strength)
    )
    images = _each(images, photographed, lambda x, _: show_on_screen(x, rng, strength))
    return _each(images, some(rng, count, shares.inverted), lambda x, _: 1 - x)

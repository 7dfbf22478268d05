"""The picture from path lengths: attenuation, scatter, noise, then what a maker's display does to it."""

from __future__ import annotations

import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.synthetic_data.film.look import Look
from raysplay.synthetic_data.film.smooth import gaussian, noise_field


def join_soft(layers: Tensor, size: tuple[int, int], step: int) -> Tensor:
    """One soft-tissue path from overlapping layers.

    Toes grow out of the body of the foot: where layers overlap the longer path counts, not the sum.

    Parameters
    ----------
    layers : Tensor, shape (B, K, r, c)
        On a grid ``step`` times coarser, centres of both grids together at the origin.
    size : (rows, columns)

    Returns
    -------
    Tensor, shape (B, rows, columns)
    """
    joined = (layers**4).sum(1, keepdim=True).clamp_min(1e-6) ** 0.25
    width = torch.full((len(layers),), 0.8, device=layers.device)
    joined = gaussian(joined[:, 0], width)[:, None]
    rows, columns = layers.shape[-2:]
    fine = F.interpolate(
        joined, size=((rows - 1) * step + 1, (columns - 1) * step + 1), mode="bilinear", align_corners=True
    )
    fine = F.pad(fine, (0, max(0, size[1] - fine.shape[-1]), 0, max(0, size[0] - fine.shape[-2])), mode="replicate")
    return fine[:, 0, : size[0], : size[1]]


def form(
    cortical: Tensor,
    spongy: Tensor,
    soft: Tensor,
    look: Look,
    pixel_mm: Tensor,
    generator: torch.Generator,
    metal: Tensor | None = None,
) -> Tensor:
    """Films with bone bright, grey values 0..1.

    Parameters
    ----------
    cortical, spongy, soft : Tensor, shape (B, R, C)
        Path lengths in mm.
    look : Look
    pixel_mm : Tensor, shape (B,)
        Size of a pixel at the detector.
    generator : torch.Generator
        Source of texture and noise, on the device of the tensors.
    metal : Tensor, shape (B, R, C), optional
        Mm of cortical bone that absorb as much; without the texture of bone.

    Returns
    -------
    Tensor, shape (B, R, C)

    Notes
    -----
    ``look`` and ``pixel_mm`` may stay on the processor: a device is then never waited for.
    """
    device = cortical.device

    def per_film(value: Tensor) -> Tensor:
        return value.to(device, non_blocking=True)[:, None, None]

    batch, rows, columns = cortical.shape
    shape = (batch, rows, columns)
    fine = noise_field(shape, (look.texture_scale / pixel_mm).clamp(0.3, 6) * 0.5, generator, look.texture_stretch)
    coarse = noise_field(shape, (look.texture_scale * 3.5 / pixel_mm).clamp(0.5, 16) * 0.5, generator)
    grain = (0.85 * fine + 0.3 * coarse) * per_film(look.texture)
    attenuation = (
        per_film(look.cortical) * cortical.clamp_min(0) * (1 + 0.25 * grain)
        + per_film(look.spongy) * spongy.clamp_min(0) * (1 + grain)
        + per_film(look.soft) * soft.clamp_min(0)
    )
    if metal is not None:
        attenuation = attenuation + per_film(look.cortical) * metal
    beam = torch.exp(-attenuation)
    beam = (beam + per_film(look.scatter) * gaussian(beam, look.scatter_width / pixel_mm)) / (
        1 + per_film(look.scatter)
    )
    beam = gaussian(beam, (look.blur / pixel_mm).clamp_min(0.05))
    noise = torch.randn(shape, generator=generator, device=beam.device)
    noise = gaussian(noise, (0.12 / pixel_mm).clamp(0.2, 1.0))
    # Quanta: the spread falls with the root of what arrives and of the area of a pixel.
    relative = per_film(look.noise * (0.2 / pixel_mm).clamp(0.3, 2.0))
    beam = beam + noise * relative * torch.sqrt(beam.clamp_min(1e-3))
    signal = -torch.log(beam.clamp_min(0.004))

    slow = gaussian(signal, 14.0 / pixel_mm)
    mean = signal.mean(dim=(1, 2), keepdim=True)
    signal = signal - per_film(look.equalise) * 0.8 * (slow - mean).clamp_min(0)
    signal = signal + per_film(look.edge) * (signal - gaussian(signal, look.edge_width / pixel_mm))

    grey = ((signal - per_film(look.low)) / per_film(look.high - look.low)).clamp(0, 1.2)
    shoulder = per_film(look.toe)
    curve = grey**2 * (3 - 2 * grey.clamp(max=1.2))
    grey = (1 - shoulder) * grey + shoulder * curve
    grey = grey.clamp(0, 1) ** per_film(look.gamma)
    x = torch.linspace(-1, 1, columns, device=grey.device)
    y = torch.linspace(-1, 1, rows, device=grey.device)
    floor = per_film(look.floor) + per_film(look.slope_x) * x + per_film(look.slope_y) * y[:, None]
    return (grey * (1 - floor.clamp(0, 0.5)) + floor.clamp(0, 0.5)).clamp(0, 1)

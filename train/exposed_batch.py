"""From path lengths to grey values: how batches of either network are exposed, spoiled on their way, and shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from raysplay.synthetic_data.film.draws import send
from raysplay.synthetic_data.film.formation import form
from raysplay.synthetic_data.film.look import draw_looks
from raysplay.synthetic_data.film.wear import spoil_display, spoil_plate
from raysplay.train.degrade import DegradeSettings, add_marks, archive, exposed_field
from raysplay.train.intensity import Intensity


@dataclass(frozen=True)
class Showing:
    """How the films of a batch are shown.

    Attributes
    ----------
    marks : Tensor, shape (M, h, w)
        Bitmaps of ``draw_marks``.
    intensity : Intensity or None
        Grey-value changes of the extra ``train``; none are made without.
    degrade : DegradeSettings
    beyond : mapping of float to float
        Grey values beyond the exposed field, and the share of films that have each.
    """

    marks: Tensor
    intensity: Intensity | None
    degrade: DegradeSettings
    beyond: dict[float, float]


def expose_batch(
    lengths: Tensor,
    metal: Tensor | None,
    pixel_mm: Tensor,
    usual_mm: float,
    photographed: np.ndarray,
    showing: Showing,
    rng: np.random.Generator,
    generator: torch.Generator,
    film_shape: Callable[[], Tensor] | None = None,
) -> tuple[Tensor, Tensor]:
    """Expose, develop, spoil and show a batch of films.

    Parameters
    ----------
    lengths : Tensor, shape (B, 3, R, C)
        Path lengths through cortical bone, spongy bone and soft tissue, mm.
    metal : Tensor, shape (B, R, C), optional
        Path lengths through metal, mm.
    pixel_mm : Tensor, shape (B,)
        On the processor, whatever the device of the lengths.
    usual_mm : float
        Size of a pixel of the batch as a whole.
    photographed : ndarray of int
        Numbers of the films that are photographed from a screen.
    showing : Showing
    rng, generator
        Numbers on the processor and on the device of the lengths; drawn from in one order.
    film_shape : callable, optional
        Draws where there is film at all, (B, R, C); everywhere by default.

    Returns
    -------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    shown : Tensor of bool, shape (B, R, C)
        Where there is film and it is exposed.
    """
    count, size, device = len(lengths), (lengths.shape[2], lengths.shape[3]), lengths.device
    degrade = showing.degrade
    cortical, spongy, soft = lengths.unbind(1)
    images = form(cortical, spongy, soft, draw_looks(rng, count), pixel_mm, generator, metal)
    shown = exposed_field(rng, count, size, device, degrade)
    outside = rng.choice(list(showing.beyond), count, p=list(showing.beyond.values()))
    images = torch.where(shown, images, send(outside, device))
    images = spoil_plate(images, rng, generator, degrade.wear)
    images = add_marks(images, showing.marks, rng, degrade.marks, degrade.mark_height)
    on_film = None if film_shape is None else film_shape()
    images = archive(images, usual_mm, rng, degrade)
    images = spoil_display(images, pixel_mm, rng, degrade.wear, photographed)
    if on_film is not None:
        images, shown = images * on_film, shown & on_film
    if showing.intensity is not None:
        images = showing.intensity(images, rng)
    return images, shown

"""What is in or on a foot besides itself: metal, a cast, a splint. One way for training batches and whole films."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor

from raysplay.synthetic_data.film.cast import cast_path, draw_casts
from raysplay.synthetic_data.film.draws import send_index, some
from raysplay.synthetic_data.film.metal import draw_metal
from raysplay.synthetic_data.film.parts import parts_path, table
from raysplay.synthetic_data.film.splint import draw_splint

CARRIED = ("metal", "cast", "splint")
"""Conditions that are drawn on the film; the others come with the anatomy or with another foot."""

Chosen = Mapping[str, npt.NDArray[np.int64]]
"""Numbers of the feet of a batch that carry each of ``CARRIED``."""


@dataclass(frozen=True)
class Added:
    """Path lengths (B, R, C) that carried things add: ``soft`` absorbs like soft tissue, ``metal`` like cortical bone
    but without its texture, both in mm."""

    soft: Tensor
    metal: Tensor


def choose_carried(rng: np.random.Generator, count: int, shares: Mapping[str, float]) -> Chosen:
    """Draw which of ``count`` feet carry what."""
    return {name: some(rng, count, shares.get(name, 0.0)) for name in CARRIED}


def carry(
    chosen: Chosen,
    soft: Tensor,
    points: Tensor,
    pixel_mm: Tensor,
    rng: np.random.Generator,
    generator: torch.Generator,
    strength: float = 1.0,
) -> Added | None:
    """Lay what the feet of a batch carry, or ``None`` if none carries anything.

    Parameters
    ----------
    chosen : from :func:`choose_carried`
    soft : Tensor, shape (B, R, C)
        Path lengths through soft tissue in mm.
    points : Tensor, shape (B, L, 2)
        Landmarks in pixels.
    pixel_mm : Tensor, shape (B,)
    rng, generator
        Sources of numbers, the second on the device of the tensors.
    strength : float
        1 for what is met in practice.

    Returns
    -------
    Added or None
    """
    if not any(len(feet) for feet in chosen.values()):
        return None
    device, size = soft.device, (soft.shape[1], soft.shape[2])
    added = Added(torch.zeros_like(soft), torch.zeros_like(soft))
    if len(chosen["cast"]):
        where = send_index(chosen["cast"], device)
        casts = draw_casts(rng, len(chosen["cast"]), strength)
        shell = cast_path(casts, soft[where], points[where], pixel_mm[where], generator)
        added.soft.index_add_(0, where, shell)
    worn = [draw_splint(rng, strength) for _ in chosen["splint"]]
    for layer, feet, things in (
        (added.soft, chosen["splint"], [soft for soft, _ in worn]),
        (added.metal, chosen["splint"], [metal for _, metal in worn]),
        (added.metal, chosen["metal"], [draw_metal(rng, strength) for _ in chosen["metal"]]),
    ):
        if any(things):
            where = send_index(feet, device)
            layer.index_add_(0, where, parts_path(table(things, device), points[where], pixel_mm[where], size))
    return added

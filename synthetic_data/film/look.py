"""How one film was exposed, developed and shown; every number that shapes the picture."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import torch
from torch import Tensor


@dataclass(frozen=True)
class Look:
    """Numbers of B films, each a tensor of shape (B,). Lengths in mm.

    ``cortical``, ``spongy``, ``soft``: linear attenuation per mm; ``texture``, ``texture_scale``,
    ``texture_stretch``: relative depth, grain and length over width of the struts of spongy bone; ``scatter``,
    ``scatter_width``: share and spread of scattered radiation; ``noise``: relative noise in the open beam;
    ``blur``: focal and detector blur; ``low``, ``high``: window in attenuation; ``gamma``, ``toe``: display curve;
    ``edge``, ``edge_width``: edge enhancement; ``equalise``: share of slow variation taken out by the maker's
    processing; ``floor``: grey of the open beam; ``slope_x``, ``slope_y``: uneven background.
    """

    cortical: Tensor
    spongy: Tensor
    soft: Tensor
    texture: Tensor
    texture_scale: Tensor
    texture_stretch: Tensor
    scatter: Tensor
    scatter_width: Tensor
    noise: Tensor
    blur: Tensor
    low: Tensor
    high: Tensor
    gamma: Tensor
    toe: Tensor
    edge: Tensor
    edge_width: Tensor
    equalise: Tensor
    floor: Tensor
    slope_x: Tensor
    slope_y: Tensor

    def to(self, device: torch.device | str) -> Look:
        """The same looks on another device."""
        return Look(**{f.name: getattr(self, f.name).to(device) for f in fields(self)})


def draw_looks(rng: np.random.Generator, count: int) -> Look:
    """Draw the looks of ``count`` films."""

    def uniform(low: float, high: float) -> np.ndarray:
        return rng.uniform(low, high, count)

    def log_uniform(low: float, high: float) -> np.ndarray:
        return np.exp(rng.uniform(np.log(low), np.log(high), count))

    def sometimes(share: float, values: np.ndarray) -> np.ndarray:
        return np.where(rng.random(count) < share, values, 0.0)

    soft = uniform(0.016, 0.026)
    # Attenuation of bone and of soft tissue rise together as the tube voltage falls; marrow adds its own spread.
    cortical = soft * uniform(3.0, 5.6)
    spongy = soft * uniform(0.7, 1.8)
    open_beam = -uniform(0.0, 0.25)
    values = {
        "cortical": cortical,
        "spongy": spongy,
        "soft": soft,
        "texture": sometimes(0.85, uniform(0.03, 0.24)),
        "texture_scale": log_uniform(0.3, 1.1),
        "texture_stretch": uniform(1.0, 5.0),
        "scatter": uniform(0.0, 0.35),
        "scatter_width": uniform(12.0, 35.0),
        "noise": log_uniform(0.001, 0.05),
        "blur": log_uniform(0.06, 0.55),
        "low": open_beam,
        "high": np.where(rng.random(count) < 0.3, uniform(1.2, 2.2), uniform(2.0, 4.6)),
        "gamma": log_uniform(0.6, 1.7),
        "toe": uniform(0.0, 0.9),
        "edge": sometimes(0.6, uniform(0.2, 2.2)),
        "edge_width": log_uniform(0.35, 3.0),
        "equalise": sometimes(0.45, uniform(0.2, 0.85)),
        "floor": sometimes(0.6, uniform(0.0, 0.2)),
        "slope_x": rng.normal(0, 0.03, count),
        "slope_y": rng.normal(0, 0.03, count),
    }
    return Look(**{k: torch.as_tensor(v, dtype=torch.float32) for k, v in values.items()})

"""Blocks and sponges that hold a foot in place and lie beside or under it. Form and place by common practice."""

from __future__ import annotations

import numpy as np

from raysplay.synthetic_data.film.parts import Part


def draw_aids(rng: np.random.Generator) -> list[Part]:
    """One or two aids, absorbing as soft tissue: foam, a plastic block, or the edge of a step."""
    parts = []
    for _ in range(int(rng.integers(1, 3))):
        side = float(rng.choice([-1.0, 1.0]))
        aside = 28.0 + side * float(rng.uniform(50, 90))
        wide, thick = float(rng.uniform(15, 40)), float(rng.uniform(2.0, 16.0))
        low = float(rng.uniform(-1.4, 0.6))
        lean = float(rng.normal(0, 12))
        if rng.random() < 0.2:
            low, aside, lean, wide = -2.0, 28.0 + lean, 0.0, float(rng.uniform(40, 70))
        parts.append(Part(("M2", low, aside), ("M2", low + rng.uniform(0.3, 1.2), aside + lean), wide, 1.0, flat=thick))
    return parts

"""What is worn on a foot and stays on the film: toe spacers, night splints, tape. Form and place by common practice."""

from __future__ import annotations

import numpy as np

from raysplay.synthetic_data.film.metal import TITANIUM
from raysplay.synthetic_data.film.parts import Part

SILICONE = 1.5
"""Mm of soft tissue that absorb like 1 mm of silicone rubber, mean of 40 and 50 keV."""

PLASTIC = 0.75
"""The same for polypropylene; straps and tape are taken as this, too."""

Worn = tuple[list[Part], list[Part]]
"""Parts that absorb as soft tissue, parts that absorb as cortical bone."""


def _spacer(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """Between the great and the second toe, or all toes."""
    between = [("PP2", "PP1")]
    if rng.random() < 0.35:
        between += [("PP3", "PP2"), ("PP4", "PP3"), ("PP5", "PP4")]
    parts = []
    for toe, _ in between:
        great = toe == "PP2"
        aside, wide = (-11.0, rng.uniform(5, 9)) if great else (-7.5, rng.uniform(2.5, 4.5))
        thick = float(rng.uniform(16, 28))
        low, high = float(rng.uniform(-0.3, 0.2)), float(rng.uniform(1.8, 2.8))
        parts.append(Part((toe, low, aside), (toe, high, aside), float(wide), absorbs, dome=thick))
        if great and rng.random() < 0.5:
            # A waist: the toes lie in two hollows.
            parts.append(Part((toe, high, aside - wide), (toe, high, aside + wide), 3.0, absorbs, dome=0.7 * thick))
    if len(between) > 1:
        parts.append(Part(("PP1", 0.7, 6.0), ("PP5", 0.8, 2.0), 4.0, absorbs, flat=8.0))
    return parts


def _strap(rng: np.random.Generator, frame: str, at: float, reach: tuple[float, float], wide: float) -> list[Part]:
    """A band across the foot with thicker seams."""
    lean = float(rng.normal(0, 0.06))
    thick = float(rng.uniform(2.0, 5.0))
    start, end = (frame, at - lean, reach[0]), (frame, at + lean, reach[1])
    strap = [Part(start, end, 0.5 * wide, PLASTIC, flat=thick)]
    for share in (-1.0, 1.0):
        edge = 0.012 * wide * share
        strap.append(
            Part((frame, at - lean + edge, reach[0]), (frame, at + lean + edge, reach[1]), 0.9, PLASTIC, flat=thick)
        )
    return strap


def _night_splint(rng: np.random.Generator) -> Worn:
    """A bar on the medial side, seen on its edge, with hinge, rivets and straps, sometimes on a sole."""
    aside = -float(rng.uniform(11, 20))
    tall, thick = float(rng.uniform(12, 24)), float(rng.uniform(1.2, 2.2))
    joint = ("M1", float(rng.uniform(1.0, 1.12)), aside)
    soft = [
        Part(("M1", float(rng.uniform(-0.5, 0.1)), aside), joint, thick, PLASTIC, flat=tall),
        Part(joint, ("DP1", float(rng.uniform(0.7, 1.5)), aside * rng.uniform(0.5, 1.0)), thick, PLASTIC, flat=tall),
    ]
    soft += _strap(rng, "M1", float(rng.uniform(0.2, 0.6)), (aside, float(rng.uniform(55, 75))), rng.uniform(20, 32))
    soft += _strap(rng, "PP1", float(rng.uniform(0.4, 0.9)), (aside, float(rng.uniform(10, 16))), rng.uniform(12, 20))
    if rng.random() < 0.4:
        wide = float(rng.uniform(32, 46))
        soft.append(Part(("M2", -1.2, 6.0), ("M2", 1.3, 4.0), wide, PLASTIC, flat=float(rng.uniform(2, 5))))
    metal = []
    if rng.random() < 0.75:
        metal.append(Part(joint, (joint[0], joint[1], aside - 5.0), float(rng.uniform(2.5, 5)), TITANIUM, flat=1.5))
        for at in rng.uniform(0.0, 0.9, int(rng.integers(1, 4))):
            rivet = ("M1", float(at), aside - 2.0)
            metal.append(Part(rivet, ("M1", float(at), aside + 3.0), float(rng.uniform(1.2, 2.2)), TITANIUM, flat=2.5))
    if rng.random() < 0.4:
        # The frame of a buckle.
        at, x = float(rng.uniform(0.1, 0.5)), float(rng.uniform(0, 25))
        for side in (x, x + 14.0):
            metal.append(Part(("M1", at, side), ("M1", at + 0.35, side), 0.9, TITANIUM))
        for share in (at, at + 0.35):
            metal.append(Part(("M1", share, x), ("M1", share, x + 14.0), 0.9, TITANIUM))
    return soft, metal


def _tape(rng: np.random.Generator) -> list[Part]:
    """Strips from the great toe back along the foot, and round it."""
    parts = _strap(rng, "M1", float(rng.uniform(0.3, 0.7)), (-16.0, float(rng.uniform(50, 70))), rng.uniform(25, 40))
    for _ in range(int(rng.integers(1, 3))):
        wide, thick = float(rng.uniform(6, 11)), float(rng.uniform(2.5, 5.0))
        parts.append(Part(("M1", 0.2, -11.0), ("DP1", 0.2, float(rng.uniform(-9, 9))), wide, PLASTIC, flat=thick))
    return parts


def draw_splint(rng: np.random.Generator, strength: float = 1.0) -> Worn:
    """What one foot wears; ``strength`` scales how much it absorbs."""
    kind = rng.choice(["spacer", "night", "tape"], p=[0.46, 0.46, 0.08])
    if kind == "spacer":
        return _spacer(rng, strength * SILICONE), []
    if kind == "night":
        return _night_splint(rng)
    return _tape(rng), []

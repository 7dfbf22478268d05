"""Metal in feet after surgery: screws, wires, plates, staples, anchors.

Which metal lies where follows common practice, no source; sizes are those of common implant sets, from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from raysplay.synthetic_data.film.parts import Part, Place

STEEL, TITANIUM = 20.6, 7.3
"""Mm of cortical bone that absorb like 1 mm of metal, mean of 40 and 50 keV, as on films of about 60 kV."""


def _screw(
    rng: np.random.Generator, start: Place, end: Place, outer: float, absorbs: float, cannulated: bool
) -> list[Part]:
    """Head, shank and thread from ``start`` to ``end``."""
    lean = float(rng.uniform(1.0, 1.25))
    core, bore = 0.34 * outer, 0.16 * outer if cannulated else 0.0
    shank = float(rng.choice([0.0, rng.uniform(0.3, 0.65)]))
    whole = Part(start, end, 0.5 * outer, absorbs, bore=bore, stretch=lean)
    pieces = [replace(whole, span=(shank, 1.0), thread=0.5 * outer - core, pitch=0.36 * outer)]
    if shank > 0:
        pieces.append(replace(whole, span=(0.0, shank), radius=core))
    if rng.random() < 0.75:
        pieces.append(replace(whole, radius=0.8 * outer, length=0.7 * outer, bore=0.3 * outer))
    return pieces


def _wire(start: Place, end: Place, across: float, absorbs: float) -> list[Part]:
    return [Part(start, end, 0.5 * across, absorbs)]


def _upright(at: Place, outer: float, length: float, absorbs: float) -> list[Part]:
    """A screw seen along its axis."""
    return [
        Part(at, at, 0.5 * outer, absorbs, flat=length),
        Part(at, at, 0.9 * outer, absorbs, flat=1.5),
    ]


def _plate(rng: np.random.Generator, start: Place, end: Place, absorbs: float) -> list[Part]:
    """A plate from above with a screw in most holes, or from its edge with its screws beside it."""
    spacing, thick = float(rng.uniform(6, 9)), float(rng.uniform(1.2, 2.0))
    if rng.random() < 0.3:
        return [Part(start, end, 0.5 * thick, absorbs, flat=float(rng.uniform(6, 10)))]
    return [
        Part(
            start,
            end,
            float(rng.uniform(3.2, 5.0)),
            absorbs,
            flat=thick,
            spacing=spacing,
            hole=float(rng.uniform(1.2, 1.7)),
            filled=float(rng.choice([0.0, rng.uniform(10, 18)], p=[0.2, 0.8])),
        )
    ]


def _staple(start: Place, end: Place, absorbs: float, leg: float) -> list[Part]:
    bridge = Part(start, end, 0.8, absorbs)
    return [bridge, *(Part(at, at, 0.8, absorbs, flat=leg) for at in (start, end))]


def _first_metatarsal(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """One or two screws through a cut of the head or shaft."""
    high, outer = float(rng.uniform(0.55, 0.8)), float(rng.uniform(2.4, 3.5))
    screws = _screw(rng, ("M1", high, -5.0), ("M1", high + rng.uniform(0.15, 0.35), 4.0), outer, absorbs, True)
    if rng.random() < 0.5:
        low = high - float(rng.uniform(0.25, 0.4))
        screws += _screw(rng, ("M1", low, -5.0), ("M1", low + 0.2, 5.0), outer, absorbs, True)
    return screws


def _great_toe(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """A screw or a staple through the proximal phalanx."""
    at = float(rng.uniform(0.1, 0.3))
    if rng.random() < 0.5:
        return _staple(("PP1", at, -6.0), ("PP1", at + 0.3, -5.5), absorbs, 6.0)
    return _screw(rng, ("PP1", at, -6.0), ("PP1", at + rng.uniform(0.4, 0.6), 4.0), 2.5, absorbs, True)


def _first_joint(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """Fusion of the first metatarsophalangeal joint: plate and crossing screw."""
    parts = _screw(rng, ("PP1", 0.45, -6.0), ("M1", 0.75, 5.0), 3.5, absorbs, rng.random() < 0.6)
    if rng.random() < 0.75:
        parts += _plate(rng, ("M1", 0.55, rng.normal(0, 1)), ("PP1", 0.6, rng.normal(0, 1)), absorbs)
    return parts


def _tarsometatarsal(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """Fusion of the first tarsometatarsal joint: crossing screws, a plate, or staples."""
    if rng.random() < 0.25:
        return [part for side in (-5.0, 4.0) for part in _staple(("M1", 0.14, side), ("M1", -0.2, side), absorbs, 14.0)]
    parts = _screw(rng, ("M1", 0.32, -1.0), ("M1", -0.32, 4.0), 3.8, absorbs, True)
    parts += _screw(rng, ("M1", -0.3, -7.0), ("M1", 0.3, 4.0), 3.8, absorbs, True)
    if rng.random() < 0.5:
        parts += _plate(rng, ("M1", -0.3, -6.5), ("M1", 0.38, -6.0), absorbs)
    return parts


def _lesser_heads(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """Short screws, seen nearly along their axis, in the heads of lesser metatarsals."""
    parts: list[Part] = []
    for frame in rng.choice(["M2", "M3", "M4"], int(rng.integers(1, 4)), replace=False):
        at = float(rng.uniform(0.84, 0.92))
        if rng.random() < 0.5:
            parts += _upright((frame, at, 0.0), 2.0, 11.0, absorbs)
        else:
            parts += _screw(rng, (frame, at, 0.0), (frame, at - 0.12, 0.5), 2.0, absorbs, False)
    return parts


def _wires(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """Wires through toes, out of the skin, or across the first metatarsal."""
    parts: list[Part] = []
    for frame in rng.choice(["PP2", "PP3", "PP4", "PP5"], int(rng.integers(1, 4)), replace=False):
        bend = rng.normal(0, 1.0, 2)
        parts += _wire((frame, -0.7, bend[0]), (frame, float(rng.uniform(2.6, 4.2)), bend[1]), 1.4, absorbs)
    if rng.random() < 0.4:
        parts += _wire(("M1", 0.3, -9.0), ("M1", 0.95, 4.0), float(rng.uniform(1.4, 2.0)), absorbs)
        parts += _wire(("DP1", 1.5, 0.0), ("PP1", -0.1, 0.0), 1.6, absorbs)
    return parts


def _fifth(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """A long screw down the fifth metatarsal, or a short one near its head."""
    if rng.random() < 0.6:
        return _screw(rng, ("M5", -0.5, 0.5), ("M5", 0.45, 0.0), float(rng.uniform(4.5, 6.0)), absorbs, True)
    return _screw(rng, ("M5", 0.75, 4.0), ("M5", 0.9, -4.0), 2.4, absorbs, False)


def _second_shaft(rng: np.random.Generator, absorbs: float) -> list[Part]:
    frame = str(rng.choice(["M2", "M3", "M4"]))
    low = float(rng.uniform(0.1, 0.3))
    return _plate(rng, (frame, low, 0.5), (frame, low + rng.uniform(0.4, 0.6), 0.0), absorbs)


def _anchors(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """Buttons either side of a thread between the first two metatarsals, or an anchor in the first head."""
    if rng.random() < 0.5:
        at = float(rng.uniform(0.4, 0.75))
        return [
            Part(("M1", at, -6.5), ("M1", at, -5.3), 2.0, absorbs),
            Part(("M2", at, 3.6), ("M2", at, 4.8), 2.0, absorbs),
        ]
    return _screw(rng, ("M1", 0.9, -8.0), ("M1", 0.8, -2.0), 2.4, absorbs, False)


def _midfoot(rng: np.random.Generator, absorbs: float) -> list[Part]:
    """Large screws behind the metatarsals, and one that ties the first ray to the second."""
    parts = _screw(rng, ("M1", -0.1, -8.0), ("M2", 0.05, 2.0), 3.8, absorbs, True)
    for _ in range(int(rng.integers(0, 3))):
        x, y = float(rng.uniform(-5, 25)), float(rng.uniform(-0.9, -0.5))
        parts += _screw(rng, ("M1", y, x), ("M1", y + 0.4, x + rng.normal(0, 8)), 6.0, absorbs, True)
    return parts


OPERATIONS: tuple[tuple[float, Callable[[np.random.Generator, float], list[Part]]], ...] = (
    (0.24, _first_metatarsal),
    (0.12, _great_toe),
    (0.10, _first_joint),
    (0.14, _tarsometatarsal),
    (0.10, _lesser_heads),
    (0.10, _wires),
    (0.06, _fifth),
    (0.05, _second_shaft),
    (0.05, _anchors),
    (0.04, _midfoot),
)
"""What is done to feet, with its share among those that carry metal."""


def draw_metal(rng: np.random.Generator, strength: float = 1.0) -> list[Part]:
    """Metal of one foot, absorbing as cortical bone; ``strength`` scales how much was done (1: mostly one thing)."""
    shares = np.array([share for share, _ in OPERATIONS])
    absorbs = float(rng.choice([STEEL, TITANIUM], p=[0.4, 0.6]))
    number = 1 + int(rng.poisson(0.6 * strength))
    chosen: Sequence[int] = rng.choice(len(OPERATIONS), min(number, 4), replace=False, p=shares).tolist()
    return [part for k in chosen for part in OPERATIONS[k][1](rng, absorbs)]

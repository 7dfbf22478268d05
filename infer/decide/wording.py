"""How values and units read in a sentence."""

from __future__ import annotations

from raysplay.measure.definition import DEGREE, MILLIMETRE, RATIO

DECIMALS = {DEGREE: 1, MILLIMETRE: 1, RATIO: 3}
"""Decimals that a number is given with, on screen and in tables: the same film read again differs by more."""


def unit_word(unit: str) -> str:
    """``deg`` -> ``degrees``; anything else stays."""
    return "degrees" if unit == "deg" else unit


def number(value: float, unit: str) -> str:
    """The value as it is shown, see :data:`DECIMALS`."""
    return f"{value:.{DECIMALS[unit]}f}"

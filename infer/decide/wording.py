"""How values and units read in a sentence."""

from __future__ import annotations

from raysplay.measure.definition import RATIO


def unit_word(unit: str) -> str:
    """``deg`` -> ``degrees``; anything else stays."""
    return "degrees" if unit == "deg" else unit


def number(value: float, unit: str) -> str:
    """One decimal for degrees and millimetres, two for a ratio."""
    return f"{value:.2f}" if unit == RATIO else f"{value:.1f}"

"""How values and units read in a sentence."""

from __future__ import annotations

from raysplay.measure.definition import DEGREE, MILLIMETRE, RATIO

DECIMALS = {DEGREE: 1, MILLIMETRE: 1, RATIO: 3}
"""Decimals that a number is given with, on screen and in tables: the same film read again differs by more."""


def unit_word(unit: str) -> str:
    """``deg`` -> ``degrees``; anything else stays."""
    return "degrees" if unit == "deg" else unit


def number(value: float, unit: str) -> str:
    """The value without its unit, with the decimals of :data:`DECIMALS`.

    Examples
    --------
    >>> number(12.345, "deg"), number(0.98765, "ratio")
    ('12.3', '0.988')
    """
    return f"{value:.{DECIMALS[unit]}f}"


def level_words(level: float) -> str:
    """Level of an interval (0 to 1) in percent, unrounded: no interval may pass for a wider one.

    Examples
    --------
    >>> level_words(0.9), level_words(0.683), level_words(0.9995)
    ('90 %', '68.3 %', '99.95 %')
    """
    return f"{100.0 * level:.12g} %"

"""How values and units read in a sentence."""

from __future__ import annotations

import re

from raysplay.measure.definition import DEGREE, MILLIMETRE, RATIO

DECIMALS = {DEGREE: 1, MILLIMETRE: 1, RATIO: 3}
"""Decimals that a number is given with, on screen and in tables: the same film read again differs by more."""


def unit_word(unit: str) -> str:
    """``deg`` -> ``degrees``; anything else stays."""
    return "degrees" if unit == "deg" else unit


def number(value: float, unit: str) -> str:
    """The value as it is shown, see :data:`DECIMALS`."""
    return f"{value:.{DECIMALS[unit]}f}"


def reason_kind(reason: str) -> str:
    """What kind of reason a sentence of the decision states: its words before the numbers.

    Examples
    --------
    >>> reason_kind("HVA interval is 9.0 degrees wide, limit 6"), reason_kind("no foot: score 0.10")
    ('HVA interval', 'no foot')
    """
    return re.split(r":| is (?=\d)| \(", reason, maxsplit=1)[0].strip()

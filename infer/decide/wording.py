"""Words for units in a reason."""

from __future__ import annotations


def unit_word(unit: str) -> str:
    """``deg`` -> ``degrees``; anything else stays."""
    return "degrees" if unit == "deg" else unit

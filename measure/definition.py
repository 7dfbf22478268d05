"""What a measure is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from raysplay.measure.axes import Landmarks
from raysplay.measure.geometry import FloatArray

DEGREE = "deg"
"""Unit of angles; also tells that a difference of values is taken round the circle."""


@dataclass(frozen=True)
class Measure:
    """One measure of a foot by one construction.

    Attributes
    ----------
    name : str
        Short lower-case name, unique in the registry; names columns of tables.
    title : str
        Name in words.
    abbreviation : str
        Abbreviation of the trade.
    unit : str
        Unit of the value, ``deg`` for degrees.
    construction : str
        Name of the axis construction, kept with every value.
    landmarks : tuple of str
        Codes of the landmarks that ``function`` reads, all of them and no other.
    function : callable
        Maps those landmarks (code to ndarray of shape (..., 2), right-foot frame) to values of shape (...);
        ``nan`` where an axis has no length.
    definition : str
        Definition in a sentence, with its sign.
    source : str
        Where the definition comes from.
    """

    name: str
    title: str
    abbreviation: str
    unit: str
    construction: str
    landmarks: tuple[str, ...]
    function: Callable[[Landmarks], FloatArray]
    definition: str
    source: str

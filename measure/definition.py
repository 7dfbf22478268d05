"""What a measure is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from raysplay.measure.axes import NO_AXIS, Direction, Landmarks, second_metatarsal_length
from raysplay.measure.evidence import Cited, Evidence
from raysplay.measure.geometry import FloatArray, ang, distal_normal, lateral_normal, length, nonzero

DEGREE = "deg"
"""Unit of angles; also tells that a difference of values is taken round the circle."""

MILLIMETRE = "mm"
"""Unit of lengths; withheld where the film's spacing does not give millimetres."""

RATIO = "ratio"
"""Unit of one length over another."""

Function = Callable[..., FloatArray]
Gradient = Callable[..., tuple[FloatArray, ...]]


@dataclass(frozen=True)
class Measure(Cited):
    """One measure of a foot by one construction.

    Attributes
    ----------
    name : str
        Short lower-case name, unique in the registry; names columns of tables.
    title : str
        Name in words.
    abbreviation : str
        Abbreviation of the trade, or a short name where there is none.
    unit : str
        Unit of the value: ``deg``, ``mm`` or ``ratio``.
    construction : str
        Name of the axis construction, kept with every value.
    vectors : tuple of Direction
        What ``function`` takes, in its order.
    function : callable
        Maps the vectors, each of shape (..., 2) in the right-foot frame, to values of shape (...);
        ``nan`` where it is not defined.
    definition : str
        Definition in a sentence, with its sign.
    source : str
        Where the definition comes from.
    evidence : Evidence
        How well that is known.
    gradient : callable or None
        Maps the same vectors to the derivative of ``function`` by each of them, coordinates first, shape
        (2, ...); None where it is taken by differences.
    constructions : tuple of str
        Constructions under which the measure can be built.
    bounds : tuple of float or None
        Ends to which the value and its interval are clipped.
    caution : str
        What a reader must know before using the number; empty if there is nothing special.
    low_confidence : bool
        True for a sign that is known to be read badly on this view.
    """

    name: str
    title: str
    abbreviation: str
    unit: str
    construction: str
    vectors: tuple[Direction, ...]
    function: Function
    definition: str
    source: str
    evidence: Evidence
    gradient: Gradient | None = None
    constructions: tuple[str, ...] = (NO_AXIS,)
    bounds: tuple[float, float] | None = None
    caution: str = ""
    low_confidence: bool = False

    @cached_property
    def landmarks(self) -> tuple[str, ...]:
        """Codes of the landmarks that the measure needs, all of them and no other."""
        return tuple(dict.fromkeys(code for vector in self.vectors for code in vector.landmarks))

    def of(self, landmarks: Landmarks) -> FloatArray:
        """Value from landmarks (code to ndarray of shape (..., 2)), shape (...).

        Examples
        --------
        >>> import numpy as np
        >>> from raysplay.measure.registry import by_name
        >>> metatarsal = {"M1p_med": [-6, 10], "M1p_lat": [6, 10], "M1d_med": [-6, 40], "M1d_lat": [6, 40]}
        >>> phalanx = {"PPp_med": [-5, 70], "PPp_lat": [5, 70], "PPd_med": [5, 80], "PPd_lat": [15, 80]}
        >>> foot = {code: np.array(xy, dtype=float) for code, xy in (metatarsal | phalanx).items()}
        >>> float(by_name("hva").of(foot))
        45.0
        """
        value = self.function(*(vector.of(landmarks) for vector in self.vectors))
        return value if self.bounds is None else np.clip(value, *self.bounds)


def between_axes(first: FloatArray, second: FloatArray) -> FloatArray:
    """Angle from one axis to another."""
    return ang(first, second)


def axis_to_surface(first: FloatArray, surface: FloatArray) -> FloatArray:
    """Angle from an axis to the distal-pointing perpendicular of a surface."""
    return ang(first, distal_normal(surface))


def surface_to_axis(surface: FloatArray, second: FloatArray) -> FloatArray:
    """Angle from the distal-pointing perpendicular of a surface to an axis."""
    return ang(distal_normal(surface), second)


def between_surfaces(first: FloatArray, second: FloatArray) -> FloatArray:
    """Angle from the distal-pointing perpendicular of one surface to that of another."""
    return ang(distal_normal(first), distal_normal(second))


def angle_gradient(first: FloatArray, second: FloatArray) -> tuple[FloatArray, ...]:
    """Derivative of an angle by its two vectors, degrees per unit, shape (2, ...) each.

    Turning a vector sideways by d turns it by d over its length; a perpendicular turns with its line.
    """
    return -_turn(first), _turn(second)


def _turn(v: FloatArray) -> FloatArray:
    turn: FloatArray = np.moveaxis(lateral_normal(v), -1, 0) * (np.degrees(1.0) / (v[..., 0] ** 2 + v[..., 1] ** 2))
    return turn


def over_second_metatarsal(measure: Measure, name: str | None = None, abbreviation: str | None = None) -> Measure:
    """The same length as a part of the second metatarsal's length, for films without millimetres.

    Parameters
    ----------
    measure : Measure
        One in mm.
    """
    taken = len(measure.vectors)

    def ratio(*vectors: FloatArray) -> FloatArray:
        return measure.function(*vectors[:taken]) / nonzero(length(vectors[taken]))

    return Measure(
        name=name or f"{measure.name}_ratio",
        title=f"{measure.title} over second metatarsal length",
        abbreviation=abbreviation or f"{measure.abbreviation} / M2",
        unit=RATIO,
        construction=measure.construction,
        vectors=(*measure.vectors, second_metatarsal_length()),
        function=ratio,
        definition=(
            f"{measure.definition.rstrip('.')}; divided by the distance from the proximal end of the second "
            "metatarsal to its tip."
        ),
        source=f"{measure.cited}; division by the second metatarsal's length",
        evidence=Evidence.PROPOSED,
        constructions=measure.constructions,
        caution=measure.caution,
        low_confidence=measure.low_confidence,
    )

"""Points and axes of bones as weighted sums of landmarks, and the constructions that choose among them.

Every construction is linear in the landmarks, so one description serves the value, the propagation of errors,
the list of landmarks needed and the drawing. Axes point distally. The name of the construction goes with every
number that rests on it, since constructions do not give the same angle.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TypeAlias

import numpy as np

from raysplay.measure.bones import SHAFTS, bone_words
from raysplay.measure.geometry import FloatArray

Landmarks: TypeAlias = Mapping[str, FloatArray]
"""Landmark code to points, each of shape (..., 2), in the right-foot frame."""

AXIS, LINE, OFFSET = "axis", "line", "offset"
"""Roles of a :class:`Direction`."""

SHAFT = "shaft"
"""Construction A: two mid-shaft points, each midway between the outer cortices at one level."""

HEAD_BASE = "head_base"
"""Construction B, first metatarsal: centre of the proximal surface to the centre of a circle fitted to the head."""

ARTICULAR_MIDPOINT = "articular_midpoint"
"""Construction C, first metatarsal: midpoint of the proximal to midpoint of the distal articular surface."""

MEDIAL_EDGE = "medial_edge"
"""Construction D: the medial outer cortex from the proximal to the distal level."""

NO_AXIS = "direct"
"""Construction of a measure that stands on no bone's axis."""

CONSTRUCTIONS = (SHAFT, HEAD_BASE, ARTICULAR_MIDPOINT, MEDIAL_EDGE)
"""A to D of the fact sheet. A: Coughlin, Saltzman, Nunley, Foot Ankle Int 2002;23:68 (its detail is
from memory; the levels, 30 % and 70 % of the bone's length, are this project's). Which historic name belongs to
which of B to D is not settled, so none is used."""

DISTAL_PHALANX = ("DP_base_c", "DP_tip")
"""Landmarks of the axis of the distal phalanx of the great toe."""

_COINCIDENT = 1e-9
"""Two points nearer than this part of their coordinates are one: what is left is rounding."""


@dataclass(frozen=True)
class Point:
    """A weighted mean of landmarks; the weights sum to 1.

    Examples
    --------
    >>> point("M2_tip").landmarks, midpoint("M2p_med", "M2p_lat").weights
    (('M2_tip',), (('M2p_med', 0.5), ('M2p_lat', 0.5)))
    """

    weights: tuple[tuple[str, float], ...]

    @property
    def landmarks(self) -> tuple[str, ...]:
        """Codes of the landmarks it stands on."""
        return tuple(code for code, _ in self.weights)

    def of(self, landmarks: Landmarks) -> FloatArray:
        """Its place, shape (..., 2)."""
        return _sum(self.weights, landmarks)


@dataclass(frozen=True)
class Direction:
    """The vector from one point to another.

    Attributes
    ----------
    name : str
        What it is, in words.
    start, end : Point
    role : str
        ``axis`` of a bone, pointing distally; ``line`` along a surface, a joint row or a length; ``offset``, the
        place of one point relative to another, which alone may be nought.
    """

    name: str
    start: Point
    end: Point
    role: str = AXIS

    @cached_property
    def weights(self) -> tuple[tuple[str, float], ...]:
        """Weight of every landmark in the vector; they sum to 0."""
        total: dict[str, float] = {}
        for sign, place in ((-1.0, self.start), (1.0, self.end)):
            for code, weight in place.weights:
                total[code] = total.get(code, 0.0) + sign * weight
        return tuple(total.items())

    @property
    def landmarks(self) -> tuple[str, ...]:
        """Codes of the landmarks it stands on."""
        return tuple(code for code, _ in self.weights)

    def of(self, landmarks: Landmarks) -> FloatArray:
        """The vector, shape (..., 2); ``nan`` where an axis has no length.

        Examples
        --------
        >>> import numpy as np
        >>> corners = {"M2p_med": [-4, 20], "M2p_lat": [4, 20], "M2d_med": [-4, 60], "M2d_lat": [4, 60]}
        >>> axis("M2").of({code: np.array(xy, dtype=float) for code, xy in corners.items()}).tolist()
        [0.0, 40.0]
        """
        vector = _sum(self.weights, landmarks)
        if self.role == OFFSET:
            return vector
        extent = np.maximum(np.abs(vector[..., 0]), np.abs(vector[..., 1]))
        size = np.zeros_like(extent)
        for code, _ in self.weights:
            size = np.maximum(size, np.maximum(np.abs(landmarks[code][..., 0]), np.abs(landmarks[code][..., 1])))
        degenerate = extent <= _COINCIDENT * size
        if np.any(degenerate):
            vector = np.where(degenerate[..., None], np.nan, vector)
        return vector


def point(code: str) -> Point:
    """One landmark as a point."""
    return Point(((code, 1.0),))


def midpoint(first: str, second: str) -> Point:
    """Midway between two landmarks."""
    return Point(((first, 0.5), (second, 0.5)))


def offset(name: str, start: Point, end: Point) -> Direction:
    """Place of ``end`` as seen from ``start``; may be nought."""
    return Direction(name, start, end, OFFSET)


BONES = {stem: bone_words(bone) for stem, bone in SHAFTS.items()}
"""Prefix of the cortex landmarks of a bone, with its name in words."""

SHAFT_LEVELS = tuple(f"{bone}{level}" for bone in BONES for level in "pd")
"""Levels of the shafts at which cortices are marked: their landmarks bear these names with ``_med`` and ``_lat``."""


@cache
def axis(bone: str, construction: str = SHAFT) -> Direction:
    """Axis of ``bone`` under a construction, pointing distally.

    B and C are defined for the first metatarsal; under them every other bone keeps its shaft axis.

    Parameters
    ----------
    bone : str
        A key of :data:`BONES`.
    construction : str
        One of :data:`CONSTRUCTIONS`.

    Raises
    ------
    ValueError
        If the bone or the construction is not known.

    Examples
    --------
    >>> axis("M1", "head_base").landmarks
    ('M1_base_c', 'M1_head_c')
    >>> axis("M2", "head_base") == axis("M2", "shaft")
    True
    """
    if bone not in BONES:
        raise ValueError(f"no bone {bone!r}; there are {', '.join(BONES)}")
    if construction not in CONSTRUCTIONS:
        raise ValueError(f"no construction {construction!r}; there are {', '.join(CONSTRUCTIONS)}")
    name = f"axis of the {BONES[bone]}"
    if bone == "M1" and construction == HEAD_BASE:
        return Direction(name, point("M1_base_c"), point("M1_head_c"))
    if bone == "M1" and construction == ARTICULAR_MIDPOINT:
        return Direction(name, point("M1_base_c"), midpoint("M1_art_med", "M1_art_lat"))
    if construction == MEDIAL_EDGE:
        return Direction(name, point(f"{bone}p_med"), point(f"{bone}d_med"))
    return Direction(name, midpoint(f"{bone}p_med", f"{bone}p_lat"), midpoint(f"{bone}d_med", f"{bone}d_lat"))


def medial_cortex(bone: str) -> Direction:
    """Medial outer cortex of a shaft, from the proximal to the distal level."""
    return Direction(f"medial cortex of the {BONES[bone]}", point(f"{bone}p_med"), point(f"{bone}d_med"), LINE)


def lateral_cortex(bone: str) -> Direction:
    """Lateral outer cortex of a shaft, from the proximal to the distal level."""
    return Direction(f"lateral cortex of the {BONES[bone]}", point(f"{bone}p_lat"), point(f"{bone}d_lat"), LINE)


def distal_phalanx() -> Direction:
    """Axis of the distal phalanx of the great toe: midpoint of its base to the centre of its tuft."""
    base, tip = DISTAL_PHALANX
    return Direction("axis of the distal phalanx of the great toe", point(base), point(tip))


def first_metatarsal_surface() -> Direction:
    """Distal articular surface of the first metatarsal, from its medial to its lateral end."""
    return Direction("distal surface of the first metatarsal", point("M1_art_med"), point("M1_art_lat"), LINE)


def proximal_phalanx_surface() -> Direction:
    """Base surface of the proximal phalanx of the great toe, from its medial to its lateral end."""
    return Direction(
        "base surface of the proximal phalanx of the great toe", point("PP_art_med"), point("PP_art_lat"), LINE
    )


def medial_cuneiform_surface() -> Direction:
    """Distal surface of the medial cuneiform, from its medial to its lateral end."""
    return Direction("distal surface of the medial cuneiform", point("C1d_med"), point("C1d_lat"), LINE)


def first_metatarsal_base() -> Direction:
    """Proximal surface of the first metatarsal, from its medial to its lateral end."""
    return Direction("proximal surface of the first metatarsal", point("M1_base_med"), point("M1_base_lat"), LINE)


def talar_head() -> Direction:
    """Joint surface of the talus's head, from its medial to its lateral end."""
    return Direction("head of the talus", point("TAL_art_med"), point("TAL_art_lat"), LINE)


def navicular_surface() -> Direction:
    """Proximal surface of the navicular, from its medial to its lateral end."""
    return Direction("proximal surface of the navicular", point("NAV_art_med"), point("NAV_art_lat"), LINE)


def talus_axis() -> Direction:
    """Axis of the talus: middle of its neck to the middle of its head's surface."""
    return Direction("axis of the talus", point("TAL_neck_c"), midpoint("TAL_art_med", "TAL_art_lat"))


def second_metatarsal_length() -> Direction:
    """Proximal end to tip of the second metatarsal: what lengths are divided by where there are no mm."""
    return Direction("length of the second metatarsal", point("M2_base_c"), point("M2_tip"), LINE)


def _sum(weights: tuple[tuple[str, float], ...], landmarks: Landmarks) -> FloatArray:
    (code, weight), *rest = weights
    total: FloatArray = weight * landmarks[code]
    for code, weight in rest:
        total = total + weight * landmarks[code]
    return total

"""Angles and overlap of the joint surfaces at the first metatarsophalangeal joint."""

from __future__ import annotations

import numpy as np

from raysplay.measure.axes import (
    CONSTRUCTIONS,
    MEDIAL_EDGE,
    NO_AXIS,
    SHAFT,
    axis,
    first_metatarsal_surface,
    offset,
    proximal_phalanx_surface,
)
from raysplay.measure.definition import (
    DEGREE,
    RATIO,
    Measure,
    angle_gradient,
    axis_to_surface,
    between_surfaces,
    surface_to_axis,
)
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import FloatArray, along, length, nonzero


def distal_metatarsal_articular_angle(construction: str = SHAFT) -> Measure:
    """First metatarsal to the perpendicular of its distal surface (DMAA, PASA).

    Examples
    --------
    >>> distal_metatarsal_articular_angle().landmarks[-2:]
    ('M1_art_med', 'M1_art_lat')
    """
    return Measure(
        name="dmaa",
        title="Distal metatarsal articular angle",
        abbreviation="DMAA",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("M1", construction), first_metatarsal_surface()),
        function=axis_to_surface,
        gradient=angle_gradient,
        constructions=CONSTRUCTIONS,
        definition=(
            "Signed angle from the axis of the first metatarsal to the distal-pointing perpendicular of the line "
            "through the medial and lateral ends of its distal articular surface; positive where the surface "
            "faces laterally. Podiatric texts name the same geometry PASA."
        ),
        source="geometry as tabled in JRCR 2015, PMC4638376",
        evidence=Evidence.SEEN,
        caution=(
            "Readers agree badly on this angle (58.9 % of repeat readings within 5 degrees: Coughlin and Freund, "
            "Foot Ankle Int 2001;22:369) and rotation of the metatarsal changes it: a person looks at every one."
        ),
        low_confidence=True,
    )


def proximal_phalangeal_articular_angle(construction: str = SHAFT) -> Measure:
    """Perpendicular of the base surface of the proximal phalanx to its axis (PPAA).

    Examples
    --------
    >>> proximal_phalangeal_articular_angle().abbreviation
    'PPAA'
    """
    return Measure(
        name="ppaa",
        title="Proximal phalangeal articular angle",
        abbreviation="PPAA",
        unit=DEGREE,
        construction=construction,
        vectors=(proximal_phalanx_surface(), axis("PP", construction)),
        function=surface_to_axis,
        gradient=angle_gradient,
        constructions=(SHAFT, MEDIAL_EDGE),
        definition=(
            "Signed angle from the distal-pointing perpendicular of the base surface of the proximal phalanx of "
            "the great toe to the axis of that phalanx; positive where the shaft leans laterally of its base."
        ),
        source="operational definition; DASA in podiatric texts, a name that others give to the distal end",
        evidence=Evidence.PROPOSED,
    )


def first_joint_angle(construction: str = NO_AXIS) -> Measure:
    """Surface of the first metatarsal to surface of the proximal phalanx.

    Examples
    --------
    >>> first_joint_angle().construction
    'direct'
    """
    return Measure(
        name="mtp1_joint",
        title="Joint congruency angle of the first metatarsophalangeal joint",
        abbreviation="Congruency angle",
        unit=DEGREE,
        construction=construction,
        vectors=(first_metatarsal_surface(), proximal_phalanx_surface()),
        function=between_surfaces,
        gradient=angle_gradient,
        definition=(
            "Signed angle between the two joint surfaces: from the distal-pointing perpendicular of the distal "
            "surface of the first metatarsal to that of the base surface of the proximal phalanx; positive where "
            "the phalanx is tipped laterally. HVA = DMAA + this angle + PPAA, exactly."
        ),
        source="identity by construction; angle as in Li, Tao, Tang, J Orthop Surg Res 2022, "
        "doi 10.1186/s13018-022-03028-1",
        evidence=Evidence.DERIVED,
    )


def overlap(metatarsal: FloatArray, to_medial: FloatArray, to_lateral: FloatArray) -> FloatArray:
    """Part of the metatarsal surface that the phalanx surface covers, seen along the metatarsal's normal.

    Parameters
    ----------
    metatarsal : ndarray, shape (N, 2)
        Vector from the medial to the lateral end of the metatarsal's surface.
    to_medial, to_lateral : ndarray, shape (N, 2)
        Vectors from its medial end to the ends of the phalanx's surface.

    Returns
    -------
    ndarray, shape (N,)
        0 to 1; ``nan`` where the surface has no width.
    """
    width = length(metatarsal)
    first, second = along(metatarsal, to_medial), along(metatarsal, to_lateral)
    start, end = np.minimum(first, second), np.maximum(first, second)
    covered: FloatArray = np.maximum(0.0, np.minimum(end, width) - np.maximum(start, 0.0))
    return covered / nonzero(width)


def congruency_index(construction: str = NO_AXIS) -> Measure:
    """Overlapped width of the joint surfaces over the width of the metatarsal's.

    Examples
    --------
    >>> congruency_index().unit
    'ratio'
    """
    metatarsal, phalanx = first_metatarsal_surface(), proximal_phalanx_surface()
    return Measure(
        name="congruency_index",
        title="Congruency index of the first metatarsophalangeal joint",
        abbreviation="Congruency index",
        unit=RATIO,
        construction=construction,
        vectors=(
            metatarsal,
            offset("medial end of the phalanx surface", metatarsal.start, phalanx.start),
            offset("lateral end of the phalanx surface", metatarsal.start, phalanx.end),
        ),
        function=overlap,
        definition=(
            "Width of the first metatarsal's distal articular surface that lies opposite the base surface of the "
            "proximal phalanx, over its whole width; 1 where all of it is covered, 0 where none is."
        ),
        source="Li, Tao, Tang, J Orthop Surg Res 2022, doi 10.1186/s13018-022-03028-1 (cut-off); its definition",
        evidence=Evidence.MEMORY,
    )

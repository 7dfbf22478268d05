"""Measures of the first metatarsal's head: medial eminence, distance to the second ray, roundness."""

from __future__ import annotations

from raysplay.measure.axes import NO_AXIS, SHAFT, axis, medial_cortex, offset, point
from raysplay.measure.definition import MILLIMETRE, RATIO, Measure
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import FloatArray, across, length, nonzero


def medial_of(line: FloatArray, place: FloatArray) -> FloatArray:
    """Distance of a point from a distal-pointing line, positive medial of it."""
    return -across(line, place)


def medial_eminence_width(construction: str = NO_AXIS) -> Measure:
    """Most medial bone beyond the medial cortex of the first metatarsal's shaft.

    Examples
    --------
    >>> medial_eminence_width().landmarks
    ('M1p_med', 'M1d_med', 'M1_emin')
    """
    cortex = medial_cortex("M1")
    return Measure(
        name="eminence_width",
        title="Medial eminence width",
        abbreviation="Eminence",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(cortex, offset("medial eminence", cortex.start, point("M1_emin"))),
        function=medial_of,
        definition=(
            "Perpendicular distance of the most medial bony point of the first metatarsal's head from the line "
            "along the medial cortex of its shaft; positive medial of it."
        ),
        source="Armanasco, Briffa, Pang, J Anal Sci Methods Instrum 2014;4",
        evidence=Evidence.SEEN,
    )


def head_distance(construction: str = SHAFT) -> Measure:
    """Centre of the first metatarsal's head to the axis of the second metatarsal.

    Examples
    --------
    >>> head_distance().landmarks[-1]
    'M1_head_c'
    """
    second = axis("M2", construction)
    return Measure(
        name="head_distance_12",
        title="Head distance 1-2",
        abbreviation="Heads 1-2",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(second, offset("centre of the first metatarsal's head", second.start, point("M1_head_c"))),
        function=medial_of,
        constructions=(SHAFT,),
        definition=(
            "Perpendicular distance of the centre of the first metatarsal's head from the axis of the second "
            "metatarsal, on which that bone's head lies; positive medial of it."
        ),
        source="head centre to head centre or facing cortices (Resch et al. 1995); by the axis, since the landmark "
        "list has no centre of the second head",
        evidence=Evidence.PROPOSED,
    )


def corner_over_radius(corner: FloatArray, radius: FloatArray) -> FloatArray:
    """Distance of the lateral corner from the head's centre, in radii."""
    return length(corner) / nonzero(length(radius))


def head_roundness(construction: str = NO_AXIS) -> Measure:
    """How far the lateral corner of the head stands out of its circle.

    Examples
    --------
    >>> head_roundness().low_confidence
    True
    """
    centre = point("M1_head_c")
    return Measure(
        name="head_roundness",
        title="Round sign of the first metatarsal's head",
        abbreviation="Round sign",
        unit=RATIO,
        construction=construction,
        vectors=(
            offset("lateral corner of the head", centre, point("M1_head_lat_edge")),
            offset("radius of the head", centre, point("M1_tip")),
        ),
        function=corner_over_radius,
        definition=(
            "Distance of the lateral corner of the first metatarsal's head outline from the head's centre, in radii "
            "(centre to tip) of the head; near 1 where the outline is round, larger where it is angular. A sign of "
            "rotation that is present or absent, never degrees of it."
        ),
        source="round sign after Okuda, as in Yamaguchi et al., J Orthop Sci 2015, doi 10.1007/s00776-015-0749-x; "
        "as a ratio of distances",
        evidence=Evidence.PROPOSED,
        caution=(
            "Low confidence: graders agree poorly (Fleiss kappa 0.225, JFAS 2022, S1067-2516(22)00302-7) and the "
            "sign says little of true rotation (rank correlation below 0.15 with weight-bearing CT)."
        ),
        low_confidence=True,
    )

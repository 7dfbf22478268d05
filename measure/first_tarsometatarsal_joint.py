"""First tarsometatarsal joint: obliquity of the medial cuneiform, and the metatarsal's angle on it."""

from __future__ import annotations

from raysplay.measure.axes import (
    CONSTRUCTIONS,
    MEDIAL_EDGE,
    SHAFT,
    axis,
    first_metatarsal_base,
    medial_cuneiform_surface,
    offset,
    point,
)
from raysplay.measure.definition import (
    DEGREE,
    MILLIMETRE,
    Measure,
    angle_gradient,
    axis_to_surface,
    surface_to_axis,
)
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import across

_CAUTION = (
    "Low confidence: no single standard, very dependent on the projection; two obliquity measures showed no "
    "meaningful correlation with IMA, HVA or sesamoid position on 136 films (JFAS 2019;58:679); in another series HVA "
    "differed by the shape of the joint (p = 0.010), IMA did not (p = 0.105; BMC Musculoskelet Disord 2023, "
    "s12891-023-06668-4)."
)

_CAUTION_GAP = (
    "Low confidence: on most dorsoplantar films these bones lie over each other, and tube tilt and roll of the foot "
    "change the gap."
)


def medial_cuneiform_obliquity(construction: str = SHAFT) -> Measure:
    """Distal surface of the medial cuneiform against the second metatarsal.

    Examples
    --------
    >>> medial_cuneiform_obliquity().landmarks[:2]
    ('C1d_med', 'C1d_lat')
    """
    return Measure(
        name="cuneiform_obliquity",
        title="Medial cuneiform obliquity",
        abbreviation="C1 obliquity",
        unit=DEGREE,
        construction=construction,
        vectors=(medial_cuneiform_surface(), axis("M2", construction)),
        function=surface_to_axis,
        gradient=angle_gradient,
        constructions=(SHAFT, MEDIAL_EDGE),
        definition=(
            "Signed angle from the distal-pointing perpendicular of the medial cuneiform's distal surface to the "
            "axis of the second metatarsal; positive where the surface faces medially."
        ),
        source="reference axis after JFAS 2019;58:679; no single standard",
        evidence=Evidence.PROPOSED,
        caution=_CAUTION,
        low_confidence=True,
    )


def first_tarsometatarsal_angle(construction: str = SHAFT) -> Measure:
    """First metatarsal against the distal surface of the medial cuneiform.

    Examples
    --------
    >>> first_tarsometatarsal_angle().name
    'tmt1'
    """
    return Measure(
        name="tmt1",
        title="First tarsometatarsal angle",
        abbreviation="TMT 1",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("M1", construction), medial_cuneiform_surface()),
        function=axis_to_surface,
        gradient=angle_gradient,
        constructions=CONSTRUCTIONS,
        definition=(
            "Signed angle from the axis of the first metatarsal to the distal-pointing perpendicular of the medial "
            "cuneiform's distal surface; positive where the metatarsal leans medially of it. IMA = this angle + "
            "medial cuneiform obliquity, exactly."
        ),
        source="what of the IMA lies in the joint",
        evidence=Evidence.PROPOSED,
        caution=_CAUTION,
        low_confidence=True,
    )


def first_metatarsal_base_obliquity(construction: str = SHAFT) -> Measure:
    """Proximal surface of the first metatarsal against its axis.

    Examples
    --------
    >>> first_metatarsal_base_obliquity().landmarks[-2:]
    ('M1_base_med', 'M1_base_lat')
    """
    return Measure(
        name="m1_base_obliquity",
        title="Obliquity of the first metatarsal's base",
        abbreviation="M1 base",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("M1", construction), first_metatarsal_base()),
        function=axis_to_surface,
        gradient=angle_gradient,
        constructions=CONSTRUCTIONS,
        definition=(
            "Signed angle from the axis of the first metatarsal to the distal-pointing perpendicular of its proximal "
            "surface; positive where the shaft leans medially of its own base. Of the first tarsometatarsal angle, "
            "this part lies in the metatarsal, the rest in the joint."
        ),
        source="obliquity of the first metatarsal's base, 3.42 degrees (SD 2.54) on 77 dry bones; on a film by the "
        "ends of the surface",
        evidence=Evidence.PROPOSED,
        caution=_CAUTION,
        low_confidence=True,
    )


def first_second_base_distance(construction: str = SHAFT) -> Measure:
    """Base of the first metatarsal to base of the second.

    Examples
    --------
    >>> first_second_base_distance().unit
    'mm'
    """
    return Measure(
        name="base_distance_12",
        title="Base distance 1-2",
        abbreviation="Bases 1-2",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(
            axis("M2", construction),
            offset(
                "gap between the bases of the first and second metatarsal", point("M1_base_lat"), point("M2_base_med")
            ),
        ),
        function=across,
        constructions=(SHAFT,),
        definition=(
            "Distance from the lateral end of the first metatarsal's proximal surface to the medial corner of the "
            "second metatarsal's base, taken perpendicular to the second metatarsal's axis; negative where they "
            "overlap on the film."
        ),
        source="distance between first and second metatarsal, cut-off 4.05 mm, Life 2024;14:718; its points are not "
        "known here, these are the project's own",
        evidence=Evidence.PROPOSED,
        caution=_CAUTION_GAP,
        low_confidence=True,
    )


def intercuneiform_gap(construction: str = SHAFT) -> Measure:
    """Medial to intermediate cuneiform, at their distal ends.

    Examples
    --------
    >>> intercuneiform_gap().landmarks[-2:]
    ('C1d_lat', 'C2d_med')
    """
    return Measure(
        name="intercuneiform_gap",
        title="Gap between medial and intermediate cuneiform",
        abbreviation="C1-C2 gap",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(
            axis("M2", construction),
            offset("gap between the cuneiforms", point("C1d_lat"), point("C2d_med")),
        ),
        function=across,
        constructions=(SHAFT,),
        definition=(
            "Distance from the lateral end of the medial cuneiform's distal surface to the medial end of the "
            "intermediate cuneiform's, taken perpendicular to the second metatarsal's axis; negative where they "
            "overlap on the film."
        ),
        source="a widened space between first and second ray is a known sign; no standard for its points",
        evidence=Evidence.PROPOSED,
        caution=_CAUTION_GAP,
        low_confidence=True,
    )

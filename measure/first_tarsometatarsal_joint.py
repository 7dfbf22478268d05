"""First tarsometatarsal joint: obliquity of the medial cuneiform, and the metatarsal's angle on it."""

from __future__ import annotations

from raysplay.measure.axes import CONSTRUCTIONS, MEDIAL_EDGE, SHAFT, axis, medial_cuneiform_surface
from raysplay.measure.definition import (
    DEGREE,
    Measure,
    angle_gradient,
    axis_to_surface,
    surface_to_axis,
)
from raysplay.measure.evidence import Evidence

_CAUTION = (
    "Low confidence: no single standard, very dependent on the projection; two obliquity measures showed no "
    "meaningful correlation with IMA, HVA or sesamoid position on 136 films (JFAS 2019;58:679)."
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

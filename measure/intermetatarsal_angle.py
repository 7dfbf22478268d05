"""Intermetatarsal angles (IMA 1-2, IMA 4-5, IMA 1-5)."""

from __future__ import annotations

from raysplay.measure.axes import CONSTRUCTIONS, MEDIAL_EDGE, SHAFT, axis
from raysplay.measure.definition import DEGREE, Measure, angle_gradient, between_axes
from raysplay.measure.evidence import Evidence


def intermetatarsal_angle(construction: str = SHAFT) -> Measure:
    """First to second metatarsal.

    Examples
    --------
    >>> len(intermetatarsal_angle().landmarks)
    8
    """
    return Measure(
        name="ima",
        title="Intermetatarsal angle 1-2",
        abbreviation="IMA",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("M1", construction), axis("M2", construction)),
        function=between_axes,
        gradient=angle_gradient,
        constructions=CONSTRUCTIONS,
        definition=(
            "Signed angle from the axis of the first metatarsal to that of the second; positive where they "
            "diverge distally."
        ),
        source="Coughlin, Saltzman, Nunley, Foot Ankle Int 2002;23:68",
        evidence=Evidence.MEMORY,
        caution=(
            "After a distal osteotomy the shaft does not move and the head does: read head_base beside shaft "
            "(from memory, Schneider and Knahr, Foot Ankle Int 1998;19:532)."
        ),
    )


def intermetatarsal_angle_4_5(construction: str = SHAFT) -> Measure:
    """Fourth to fifth metatarsal.

    Examples
    --------
    >>> intermetatarsal_angle_4_5().abbreviation
    'IMA 4-5'
    """
    return Measure(
        name="ima45",
        title="Intermetatarsal angle 4-5",
        abbreviation="IMA 4-5",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("M4", construction), axis("M5", construction)),
        function=between_axes,
        gradient=angle_gradient,
        constructions=(SHAFT, MEDIAL_EDGE),
        definition=(
            "Signed angle from the axis of the fourth metatarsal to that of the fifth; positive where they "
            "diverge distally."
        ),
        source="variants by a tangent of the proximal shaft exist: Fallat and Buckholz 1980; Coughlin 1991",
        evidence=Evidence.MEMORY,
    )


def intermetatarsal_angle_1_5(construction: str = SHAFT) -> Measure:
    """First to fifth metatarsal.

    Examples
    --------
    >>> intermetatarsal_angle_1_5().title
    'Intermetatarsal angle 1-5'
    """
    return Measure(
        name="ima15",
        title="Intermetatarsal angle 1-5",
        abbreviation="IMA 1-5",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("M1", construction), axis("M5", construction)),
        function=between_axes,
        gradient=angle_gradient,
        constructions=CONSTRUCTIONS,
        definition=(
            "Signed angle from the axis of the first metatarsal to that of the fifth: splay of the forefoot; "
            "positive where they diverge distally."
        ),
        source="angle between the two axes, as IMA 1-2",
        evidence=Evidence.PROPOSED,
    )

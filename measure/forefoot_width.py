"""Width of the bony forefoot."""

from __future__ import annotations

from raysplay.measure.axes import NO_AXIS, SHAFT, axis, offset, point
from raysplay.measure.definition import MILLIMETRE, Measure
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import across, length


def forefoot_width(construction: str = SHAFT) -> Measure:
    """Across the second metatarsal's axis.

    Examples
    --------
    >>> forefoot_width().landmarks[-2:]
    ('M1_emin', 'M5_lat')
    """
    return Measure(
        name="forefoot_width",
        title="Forefoot width across the second metatarsal",
        abbreviation="Width",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(
            axis("M2", construction),
            offset("width of the forefoot", point("M1_emin"), point("M5_lat")),
        ),
        function=across,
        constructions=(SHAFT,),
        definition=(
            "Distance from the most medial point of the first metatarsal's head to the most lateral point of the "
            "fifth's, taken perpendicular to the second metatarsal's axis."
        ),
        source="J Foot Ankle Res 2015;8 Suppl 1:A15; perpendicular to the second metatarsal",
        evidence=Evidence.PROPOSED,
    )


def forefoot_width_direct(construction: str = NO_AXIS) -> Measure:
    """Straight from point to point.

    Examples
    --------
    >>> forefoot_width_direct().landmarks
    ('M1_emin', 'M5_lat')
    """
    return Measure(
        name="forefoot_width_direct",
        title="Forefoot width, direct",
        abbreviation="Width, direct",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(offset("width of the forefoot", point("M1_emin"), point("M5_lat")),),
        function=length,
        definition=(
            "Straight distance from the most medial point of the first metatarsal's head to the most lateral point "
            "of the fifth's."
        ),
        source="J Foot Ankle Res 2015;8 Suppl 1:A15; point to point",
        evidence=Evidence.PROPOSED,
    )

"""Joint space of the first metatarsophalangeal joint."""

from __future__ import annotations

from raysplay.measure.axes import LINE, NO_AXIS, Direction, offset, point
from raysplay.measure.definition import MILLIMETRE, Measure
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import along


def first_joint_space(construction: str = NO_AXIS) -> Measure:
    """Head of the first metatarsal to the middle of the phalanx's base.

    Examples
    --------
    >>> first_joint_space().landmarks
    ('M1_head_c', 'PP_base_mid', 'M1_head_mid')
    """
    return Measure(
        name="mtp1_space",
        title="Joint space of the first metatarsophalangeal joint",
        abbreviation="MTP 1 space",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(
            Direction("centre of the head to the middle of the base", point("M1_head_c"), point("PP_base_mid"), LINE),
            offset("joint space", point("M1_head_mid"), point("PP_base_mid")),
        ),
        function=along,
        definition=(
            "Distance from the first metatarsal's head to the middle of the proximal phalanx's base surface, along the "
            "line from the head's centre to that point; negative where they overlap on the film."
        ),
        source="no standard for its place; taken at the middle of the phalanx's base",
        evidence=Evidence.PROPOSED,
        caution=(
            "A toe that is bent or lifted, and a tilted beam, close the space on the film though the joint is sound: "
            "a narrow space alone says nothing."
        ),
        low_confidence=True,
    )

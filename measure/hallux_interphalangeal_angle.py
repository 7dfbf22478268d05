"""Hallux interphalangeal angle (HIA)."""

from __future__ import annotations

from raysplay.measure.axes import MEDIAL_EDGE, SHAFT, axis, distal_phalanx
from raysplay.measure.definition import DEGREE, Measure, angle_gradient, between_axes
from raysplay.measure.evidence import Evidence


def hallux_interphalangeal_angle(construction: str = SHAFT) -> Measure:
    """Proximal to distal phalanx of the great toe.

    Examples
    --------
    >>> hallux_interphalangeal_angle().landmarks[-2:]
    ('DP_base_c', 'DP_tip')
    """
    return Measure(
        name="hia",
        title="Hallux interphalangeal angle",
        abbreviation="HIA",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("PP", construction), distal_phalanx()),
        function=between_axes,
        gradient=angle_gradient,
        constructions=(SHAFT, MEDIAL_EDGE),
        definition=(
            "Signed angle from the axis of the proximal phalanx of the great toe to the axis of its distal "
            "phalanx (midpoint of the base to centre of the tuft); positive where the tip leans laterally."
        ),
        source="shaft-to-tuft construction; others are in use and give other values",
        evidence=Evidence.PROPOSED,
        caution=(
            "Published normals range from below 10 to a mean of 15 degrees, by different constructions; "
            "read too small where the great toe is rotated."
        ),
    )

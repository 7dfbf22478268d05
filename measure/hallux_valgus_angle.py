"""Hallux valgus angle (HVA)."""

from __future__ import annotations

from raysplay.measure.axes import CONSTRUCTIONS, SHAFT, axis
from raysplay.measure.definition import DEGREE, Measure, angle_gradient, between_axes
from raysplay.measure.evidence import Evidence


def hallux_valgus_angle(construction: str = SHAFT) -> Measure:
    """First metatarsal to proximal phalanx of the great toe.

    Examples
    --------
    >>> hallux_valgus_angle("head_base").construction
    'head_base'
    """
    return Measure(
        name="hva",
        title="Hallux valgus angle",
        abbreviation="HVA",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("M1", construction), axis("PP", construction)),
        function=between_axes,
        gradient=angle_gradient,
        constructions=CONSTRUCTIONS,
        definition=(
            "Signed angle from the axis of the first metatarsal to that of the proximal phalanx of the great "
            "toe; positive in valgus."
        ),
        source="Coughlin, Saltzman, Nunley, Foot Ankle Int 2002;23:68",
        evidence=Evidence.MEMORY,
    )

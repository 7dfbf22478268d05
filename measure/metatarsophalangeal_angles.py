"""Metatarsophalangeal angles of the lesser toes (MTP 2 to MTP 5)."""

from __future__ import annotations

from raysplay.measure.axes import BONES, MEDIAL_EDGE, SHAFT, axis
from raysplay.measure.definition import DEGREE, Measure, angle_gradient, between_axes
from raysplay.measure.evidence import Evidence


def metatarsophalangeal_angle(ray: int, construction: str = SHAFT) -> Measure:
    """Metatarsal to proximal phalanx of the toe of ``ray`` (2 to 5).

    Examples
    --------
    >>> metatarsophalangeal_angle(5).landmarks[-1]
    'PP5d_lat'
    """
    metatarsal, phalanx = f"M{ray}", f"PP{ray}"
    return Measure(
        name=f"mtp{ray}",
        title=f"Metatarsophalangeal angle {ray}",
        abbreviation=f"MTP {ray}",
        unit=DEGREE,
        construction=construction,
        vectors=(axis(metatarsal, construction), axis(phalanx, construction)),
        function=between_axes,
        gradient=angle_gradient,
        constructions=(SHAFT, MEDIAL_EDGE),
        definition=(
            f"Signed angle from the axis of the {BONES[metatarsal]} to that of the {BONES[phalanx]}; negative "
            "where the toe leans medially (varus)."
        ),
        source="Schippers, J Clin Med 2023;12:3509 (the source's own sign is not known)",
        evidence=Evidence.SEEN,
        caution="High agreement within a reader, low between readers (same source).",
    )

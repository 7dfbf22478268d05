"""Talus on the dorsoplantar film: coverage by the navicular, and the first metatarsal's angle on it."""

from __future__ import annotations

from raysplay.measure.axes import CONSTRUCTIONS, NO_AXIS, SHAFT, axis, navicular_surface, talar_head, talus_axis
from raysplay.measure.definition import DEGREE, Measure, angle_gradient, between_axes, between_surfaces
from raysplay.measure.evidence import Evidence

_CAUTION = (
    "The hindfoot must be on the film and exposed well enough to be seen; combined misalignment of the tube changes "
    "both talar angles (Willauer, Foot Ankle Int 2014;35:1334)."
)


def talonavicular_coverage(construction: str = NO_AXIS) -> Measure:
    """Surface of the talus's head to that of the navicular.

    Examples
    --------
    >>> talonavicular_coverage().landmarks
    ('TAL_art_med', 'TAL_art_lat', 'NAV_art_med', 'NAV_art_lat')
    """
    return Measure(
        name="tn_coverage",
        title="Talonavicular coverage angle",
        abbreviation="TN coverage",
        unit=DEGREE,
        construction=construction,
        vectors=(talar_head(), navicular_surface()),
        function=between_surfaces,
        gradient=angle_gradient,
        definition=(
            "Signed angle between the line through the ends of the talus's head and the line through the ends of the "
            "navicular's proximal surface; positive where the navicular faces laterally of the talus."
        ),
        source="two lines through the ends of the joint surfaces, common practice",
        evidence=Evidence.MEMORY,
        caution=_CAUTION,
        low_confidence=True,
    )


def talo_first_metatarsal_angle(construction: str = SHAFT) -> Measure:
    """Axis of the talus to that of the first metatarsal.

    Examples
    --------
    >>> talo_first_metatarsal_angle().landmarks[0]
    'TAL_neck_c'
    """
    return Measure(
        name="talo_m1",
        title="Talo-first-metatarsal angle, dorsoplantar",
        abbreviation="Talo-M1",
        unit=DEGREE,
        construction=construction,
        vectors=(talus_axis(), axis("M1", construction)),
        function=between_axes,
        gradient=angle_gradient,
        constructions=CONSTRUCTIONS,
        definition=(
            "Signed angle from the axis of the talus (middle of the neck to middle of the head) to the axis of the "
            "first metatarsal; positive where the metatarsal points laterally of the talus."
        ),
        source="axes of talus and first metatarsal, common practice; the talus by neck and head: its body hides",
        evidence=Evidence.MEMORY,
        caution=_CAUTION,
        low_confidence=True,
    )

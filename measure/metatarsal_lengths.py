"""How far the metatarsals reach: protrusion by arcs and by lines, the parabola, length ratios."""

from __future__ import annotations

from raysplay.measure.axes import (
    LINE,
    NO_AXIS,
    SHAFT,
    Direction,
    axis,
    midpoint,
    offset,
    point,
    second_metatarsal_length,
)
from raysplay.measure.bones import ORDINALS
from raysplay.measure.definition import MILLIMETRE, RATIO, Measure
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import FloatArray, along, crossing, length, nonzero

_TWO_METHODS = "Arcs and lines give different answers on the same feet (Arie et al., Rev Bras Ortop 2015;50:438)."


def transverse_tarsal_line() -> Direction:
    """Medial-most point of the talonavicular to lateral-most point of the calcaneocuboid joint."""
    return Direction("transverse tarsal line", point("TN_med"), point("CC_lat"), LINE)


def arc_difference(
    second: FloatArray, tarsal_start: FloatArray, tarsal: FloatArray, tip: FloatArray, second_tip: FloatArray
) -> FloatArray:
    """Radius to one tip less radius to the second's, about the crossing of axis and tarsal line.

    Parameters
    ----------
    second : ndarray, shape (N, 2)
        Axis of the second metatarsal.
    tarsal_start, tarsal : ndarray, shape (N, 2)
        Start of the tarsal line, from that of the axis, and its direction.
    tip, second_tip : ndarray, shape (N, 2)
        From the start of the axis.

    Returns
    -------
    ndarray, shape (N,)
        In the unit of the points; positive where the tip reaches further than the second's.
    """
    centre = crossing(second, tarsal_start, tarsal)[..., None] * second
    return length(tip - centre) - length(second_tip - centre)


def protrusion_by_arc(ray: int, construction: str = SHAFT) -> Measure:
    """How much further than the second a metatarsal reaches, by arcs.

    Examples
    --------
    >>> protrusion_by_arc(4).name
    'm4_protrusion_arc'
    """
    second, tarsal = axis("M2", construction), transverse_tarsal_line()
    return Measure(
        name=f"m{ray}_protrusion_arc",
        title=f"{ORDINALS[ray].capitalize()} metatarsal protrusion by arcs",
        abbreviation=f"M{ray} arc",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(
            second,
            offset("start of the tarsal line", second.start, tarsal.start),
            tarsal,
            offset(f"tip of the {ORDINALS[ray]} metatarsal", second.start, point(f"M{ray}_tip")),
            offset("tip of the second metatarsal", second.start, point("M2_tip")),
        ),
        function=arc_difference,
        constructions=(SHAFT,),
        definition=(
            f"Distance of the {ORDINALS[ray]} metatarsal's tip from the point where the second metatarsal's axis "
            "crosses the transverse tarsal line, less that of the second's tip; positive where the "
            f"{ORDINALS[ray]} reaches further."
        ),
        source="Hardy and Clapham, as restated by Dominguez-Maldonado et al., ScientificWorldJournal 2014, "
        "doi 10.1155/2014/505736",
        evidence=Evidence.SEEN,
        caution=_TWO_METHODS if ray == 1 else "By the arc method, as a point of the metatarsal parabola.",
    )


def protrusion_by_line(construction: str = SHAFT) -> Measure:
    """How much further than the second the first metatarsal reaches, along the second's axis.

    Examples
    --------
    >>> protrusion_by_line().landmarks[-2:]
    ('M2_tip', 'M1_tip')
    """
    return Measure(
        name="m1_protrusion_line",
        title="Relative length of the first metatarsal, by transverse lines",
        abbreviation="M1 length (lines)",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(axis("M2", construction), offset("tip to tip", point("M2_tip"), point("M1_tip"))),
        function=along,
        constructions=(SHAFT,),
        definition=(
            "How much further distally the first metatarsal's tip lies than the second's, both projected on the "
            "second metatarsal's axis; positive where the first reaches further."
        ),
        source="Morton's transverse lines, as in Arie et al., Rev Bras Ortop 2015;50:438, PMC4563042",
        evidence=Evidence.SEEN,
        caution=_TWO_METHODS,
    )


def shortfall(ray: int, construction: str = SHAFT) -> Measure:
    """How much shorter the next metatarsal is, along the second's axis; ``ray`` is the nearer one (2 to 4).

    Examples
    --------
    >>> shortfall(2).name
    'step_23'
    """
    nearer, next_ray = ORDINALS[ray], ORDINALS[ray + 1]
    return Measure(
        name=f"step_{ray}{ray + 1}",
        title=f"Metatarsal parabola, {nearer} to {next_ray}",
        abbreviation=f"Parabola {ray}-{ray + 1}",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(
            axis("M2", construction),
            offset("tip to tip", point(f"M{ray + 1}_tip"), point(f"M{ray}_tip")),
        ),
        function=along,
        constructions=(SHAFT,),
        definition=(
            f"How much further distally the {nearer} metatarsal's tip lies than the {next_ray}'s, both projected on "
            "the second metatarsal's axis."
        ),
        source="Maestro, Besse et al., Foot Ankle Clin 2003;8:695",
        evidence=Evidence.MEMORY,
    )


def fourth_head_from_sesamoid_line(construction: str = SHAFT) -> Measure:
    """Centre of the fourth head from the line through the lateral sesamoid.

    Examples
    --------
    >>> fourth_head_from_sesamoid_line().landmarks[-1]
    'M4_head_c'
    """
    return Measure(
        name="sm4_distance",
        title="Fourth head from the lateral sesamoid's line",
        abbreviation="SM4",
        unit=MILLIMETRE,
        construction=construction,
        vectors=(
            axis("M2", construction),
            offset("sesamoid to fourth head", midpoint("SES_F_med", "SES_F_lat"), point("M4_head_c")),
        ),
        function=along,
        constructions=(SHAFT,),
        definition=(
            "How far distally the centre of the fourth metatarsal's head lies of the line through the middle of the "
            "lateral sesamoid perpendicular to the second metatarsal's axis; nought where the line passes through it."
        ),
        source="Maestro, Besse et al., Foot Ankle Clin 2003;8:695",
        evidence=Evidence.MEMORY,
    )


def quotient(first: FloatArray, second: FloatArray) -> FloatArray:
    """One length over another."""
    return length(first) / nonzero(length(second))


def first_over_second_length(construction: str = NO_AXIS) -> Measure:
    """Length of the first over that of the second metatarsal.

    Examples
    --------
    >>> first_over_second_length().unit
    'ratio'
    """
    return Measure(
        name="m1_m2_length",
        title="First over second metatarsal length",
        abbreviation="M1 / M2",
        unit=RATIO,
        construction=construction,
        vectors=(
            Direction("length of the first metatarsal", point("M1_base_c"), point("M1_tip"), LINE),
            second_metatarsal_length(),
        ),
        function=quotient,
        definition="Proximal end to tip of the first metatarsal over proximal end to tip of the second.",
        source="ratio of two lengths; common practice, no source",
        evidence=Evidence.PROPOSED,
        caution="The first metatarsal is the steeper one: tube tilt stretches it more than the second.",
    )


def phalanx_over_first_length(construction: str = NO_AXIS) -> Measure:
    """Length of the great toe's proximal phalanx over that of the first metatarsal.

    Examples
    --------
    >>> phalanx_over_first_length().landmarks[:3]
    ('PP_art_med', 'PP_art_lat', 'PP_head_c')
    """
    return Measure(
        name="pp1_m1_length",
        title="Proximal phalanx over first metatarsal length",
        abbreviation="PP1 / M1",
        unit=RATIO,
        construction=construction,
        vectors=(
            Direction("length of the proximal phalanx", midpoint("PP_art_med", "PP_art_lat"), point("PP_head_c"), LINE),
            Direction("length of the first metatarsal", point("M1_base_c"), point("M1_tip"), LINE),
        ),
        function=quotient,
        definition=(
            "Midpoint of the base surface to midpoint of the condyles of the great toe's proximal phalanx, over "
            "proximal end to tip of the first metatarsal."
        ),
        source="ratio of two lengths; common practice, no source",
        evidence=Evidence.PROPOSED,
    )

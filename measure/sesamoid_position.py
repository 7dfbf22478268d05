"""Position of the sesamoids: the continuous share first, grades come from it."""

from __future__ import annotations

import numpy as np

from raysplay.measure.axes import (
    ARTICULAR_MIDPOINT,
    HEAD_BASE,
    NO_AXIS,
    SHAFT,
    Direction,
    axis,
    lateral_cortex,
    offset,
    point,
)
from raysplay.measure.definition import RATIO, Measure
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import FloatArray, across, nonzero

_CONSTRUCTIONS = (SHAFT, HEAD_BASE, ARTICULAR_MIDPOINT)


def _tibial(construction: str) -> tuple[Direction, ...]:
    first = axis("M1", construction)
    return (
        first,
        offset("centre of the tibial sesamoid", first.start, point("SES_T_c")),
        offset("width of the tibial sesamoid", point("SES_T_med"), point("SES_T_lat")),
    )


def centre_in_widths(first: FloatArray, centre: FloatArray, width: FloatArray) -> FloatArray:
    """Signed distance of the sesamoid's centre from the axis, in widths of the sesamoid.

    Parameters
    ----------
    first : ndarray, shape (N, 2)
        Axis of the first metatarsal.
    centre : ndarray, shape (N, 2)
        Vector from the start of the axis to the sesamoid's centre.
    width : ndarray, shape (N, 2)
        Vector across the sesamoid.

    Returns
    -------
    ndarray, shape (N,)
        Without unit; ``nan`` where the width is none.
    """
    return across(first, centre) / nonzero(np.abs(across(first, width)))


def lateral_share(first: FloatArray, centre: FloatArray, width: FloatArray) -> FloatArray:
    """Share of the sesamoid lateral of the axis, before it is clipped to 0 to 1.

    Parameters
    ----------
    first, centre, width : ndarray, shape (N, 2)
        As for :func:`centre_in_widths`.

    Returns
    -------
    ndarray, shape (N,)
        Without unit; may lie beyond 0 and 1.
    """
    return centre_in_widths(first, centre, width) + 0.5


def tibial_sesamoid_share(construction: str = SHAFT) -> Measure:
    """Share of the tibial sesamoid lateral of the first metatarsal's axis.

    Examples
    --------
    >>> tibial_sesamoid_share().bounds
    (0.0, 1.0)
    """
    return Measure(
        name="tsp",
        title="Tibial sesamoid position, share lateral of the axis",
        abbreviation="TSP",
        unit=RATIO,
        construction=construction,
        vectors=_tibial(construction),
        function=lateral_share,
        bounds=(0.0, 1.0),
        constructions=_CONSTRUCTIONS,
        definition=(
            "Share of the tibial (medial) sesamoid's width that lies lateral of the first metatarsal's axis "
            "extended distally: c / w + 0.5 clipped to 0 to 1, with c the signed lateral distance of its centre "
            "from the axis and w its width across the axis."
        ),
        source="operational rule for the positions of Hardy and Clapham, JBJS Br 1951;33:376",
        evidence=Evidence.PROPOSED,
        caution=(
            "Agreement with the axial view is poor in the middle positions (kappa 0.31 over 99 feet; Catanese, "
            "Popowitz, Gladstein, Foot Ankle Spec)."
        ),
    )


def tibial_sesamoid_offset(construction: str = SHAFT) -> Measure:
    """Distance of the tibial sesamoid's centre from the first metatarsal's axis in its own widths.

    Examples
    --------
    >>> tibial_sesamoid_offset().name
    'tsp_offset'
    """
    return Measure(
        name="tsp_offset",
        title="Tibial sesamoid position, offset from the axis",
        abbreviation="TSP offset",
        unit=RATIO,
        construction=construction,
        vectors=_tibial(construction),
        function=centre_in_widths,
        constructions=_CONSTRUCTIONS,
        definition=(
            "Signed lateral distance of the tibial sesamoid's centre from the first metatarsal's axis, in widths "
            "of the sesamoid across the axis; -0.5 and below lies wholly medial, 0.5 and above wholly lateral. The "
            "seven positions and the four grades are cut from this number."
        ),
        source="operational rule for the positions of Hardy and Clapham, JBJS Br 1951;33:376",
        evidence=Evidence.PROPOSED,
    )


def beyond_cortex(cortex: FloatArray, lateral: FloatArray, width: FloatArray) -> FloatArray:
    """Distance of the lateral edge beyond the cortex, in widths of the sesamoid.

    Parameters
    ----------
    cortex : ndarray, shape (N, 2)
        Line of the lateral cortex of the first metatarsal's head.
    lateral : ndarray, shape (N, 2)
        Vector from the start of that line to the sesamoid's lateral edge.
    width : ndarray, shape (N, 2)
        Vector across the sesamoid.

    Returns
    -------
    ndarray, shape (N,)
        Without unit.
    """
    return across(cortex, lateral) / nonzero(np.abs(across(cortex, width)))


def lateral_sesamoid_displacement(construction: str = NO_AXIS) -> Measure:
    """Part of the fibular sesamoid beyond the lateral cortex of the first metatarsal.

    Examples
    --------
    >>> lateral_sesamoid_displacement().landmarks
    ('M1p_lat', 'M1d_lat', 'SES_F_lat', 'SES_F_med')
    """
    cortex = lateral_cortex("M1")
    return Measure(
        name="lateral_sesamoid",
        title="Displacement of the lateral sesamoid",
        abbreviation="Lat. sesamoid",
        unit=RATIO,
        construction=construction,
        vectors=(
            cortex,
            offset("lateral edge of the fibular sesamoid", cortex.start, point("SES_F_lat")),
            offset("width of the fibular sesamoid", point("SES_F_med"), point("SES_F_lat")),
        ),
        function=beyond_cortex,
        bounds=(0.0, np.inf),
        definition=(
            "Distance of the lateral edge of the fibular (lateral) sesamoid beyond the lateral cortex of the first "
            "metatarsal extended distally, in widths of the sesamoid; 0 where none of it lies beyond, 1 and more "
            "where all of it does."
        ),
        source="Panchani, Reading, Mehta, The Foot 2015; the cortex as the line through two shaft levels",
        evidence=Evidence.PROPOSED,
    )

"""Metatarsus adductus angle (MAA) and the intermetatarsal angle adjusted by it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from raysplay.measure.axes import (
    CONSTRUCTIONS,
    LINE,
    MEDIAL_EDGE,
    SHAFT,
    Direction,
    axis,
    midpoint,
    point,
)
from raysplay.measure.definition import (
    DEGREE,
    Measure,
    angle_gradient,
    axis_to_surface,
    between_axes,
)
from raysplay.measure.evidence import Evidence
from raysplay.measure.geometry import FloatArray

NORMAL_ADDUCTION = 15.0
"""Degrees of adduction of an adult rectus foot (musculoskeletalkey, seen; a convention of podiatric texts)."""

JOINTS = {"mc5": ("MC5_lat", "fifth"), "mc4": ("MC4_lat", "fourth")}
"""Variant of the lateral point: landmark, and the metatarsal whose joint with the cuboid it marks."""

SGARLATO = "mc4"
"""The variant that is called after Sgarlato (Marshall, Ward and Williams, J Foot Ankle Res 2018;11, table 2, seen)."""


def lesser_tarsus(variant: str) -> Direction:
    """Transverse line of the lesser tarsus, medial to lateral.

    From midway between the medial-most points of the talonavicular and the first tarsometatarsal joint, to midway
    between the lateral-most points of the calcaneocuboid joint and of the variant's metatarsocuboid joint (point
    list from memory).
    """
    return Direction(
        "transverse line of the lesser tarsus",
        midpoint("TN_med", "C1M1_med"),
        midpoint("CC_lat", JOINTS[variant][0]),
        LINE,
    )


def metatarsus_adductus_angle(variant: str, construction: str = SHAFT) -> Measure:
    """Second metatarsal to the perpendicular of the lesser tarsus; ``variant`` is ``mc5`` or ``mc4``.

    Examples
    --------
    >>> metatarsus_adductus_angle("mc4").landmarks[-1]
    'MC4_lat'
    """
    _, ray = JOINTS[variant]
    return Measure(
        name=f"maa_{variant}",
        title=f"Metatarsus adductus angle, {ray} metatarsocuboid joint"
        + (" (Sgarlato)" if variant == SGARLATO else ""),
        abbreviation="MAA (Sgarlato)" if variant == SGARLATO else f"MAA ({ray} joint)",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("M2", construction), lesser_tarsus(variant)),
        function=axis_to_surface,
        gradient=angle_gradient,
        constructions=(SHAFT, MEDIAL_EDGE),
        definition=(
            "Signed angle from the axis of the second metatarsal to the distal-pointing perpendicular of the "
            f"transverse line of the lesser tarsus, with the {ray} metatarsocuboid joint as the lateral point; "
            "positive where the second metatarsal is adducted."
        ),
        source="Sgarlato and modified Sgarlato in Perez Boal et al., J Clin Med 2022;11:2043, "
        "doi 10.3390/jcm11072043; point list",
        evidence=Evidence.MEMORY,
        caution=(
            "Two lateral points are in use and differ by degrees (18.0 against 15.7 on one example foot); sources "
            "disagree which is the classic one."
        ),
    )


def middle_cuneiform_adductus_angle(construction: str = SHAFT) -> Measure:
    """Second metatarsal to the long axis of the middle cuneiform.

    Examples
    --------
    >>> middle_cuneiform_adductus_angle().landmarks[-2:]
    ('C2p', 'C2d')
    """
    return Measure(
        name="maa_engel",
        title="Metatarsus adductus angle, middle cuneiform",
        abbreviation="MAA (Engel)",
        unit=DEGREE,
        construction=construction,
        vectors=(
            axis("M2", construction),
            Direction("axis of the middle cuneiform", point("C2p"), point("C2d")),
        ),
        function=between_axes,
        gradient=angle_gradient,
        constructions=(SHAFT, MEDIAL_EDGE),
        definition=(
            "Signed angle from the axis of the second metatarsal to the long axis of the middle (intermediate) "
            "cuneiform; positive where the second metatarsal is adducted."
        ),
        source="Engel 1983, as in Marshall, Ward, Williams, J Foot Ankle Res 2018;11, "
        "doi 10.1186/s13047-018-0268-z; that it is the middle cuneiform",
        evidence=Evidence.MEMORY,
        caution="Reliability below that of the lesser-tarsus constructions (Perez Boal et al. 2022).",
        low_confidence=True,
    )


def adjusted_intermetatarsal_angle(ima: npt.ArrayLike, maa: npt.ArrayLike, *, clipped: bool = True) -> FloatArray:
    """``IMA + (MAA - 15)``: the intermetatarsal angle that the forefoot's adduction hides.

    Parameters
    ----------
    ima, maa : array_like
        Degrees.
    clipped : bool
        True leaves the IMA as it is where MAA is at most 15 (this project's rule); False is the convention of
        podiatric texts applied throughout.

    Returns
    -------
    ndarray
        Degrees.

    Examples
    --------
    >>> adjusted_intermetatarsal_angle([10.0, 12.0, 13.0], [22.0, 15.0, 8.0]).tolist()
    [17.0, 12.0, 13.0]
    >>> float(adjusted_intermetatarsal_angle(13.0, 8.0, clipped=False))
    6.0
    """
    excess = np.asarray(maa, dtype=np.float64) - NORMAL_ADDUCTION
    return np.asarray(ima, dtype=np.float64) + (np.maximum(excess, 0.0) if clipped else excess)


def adjusted_angle(first: FloatArray, second: FloatArray, tarsus: FloatArray) -> FloatArray:
    """The adjusted angle from its axes.

    Parameters
    ----------
    first, second : ndarray, shape (N, 2)
        Axes of the metatarsals.
    tarsus : ndarray, shape (N, 2)
        Surface of the lesser tarsus, from one end to the other.

    Returns
    -------
    ndarray, shape (N,)
        Degrees; see :func:`adjusted_intermetatarsal_angle`.
    """
    return adjusted_intermetatarsal_angle(between_axes(first, second), axis_to_surface(second, tarsus))


def adjusted_intermetatarsal_angle_measure(variant: str, construction: str = SHAFT) -> Measure:
    """Intermetatarsal angle with the adduction above 15 degrees added.

    Examples
    --------
    >>> adjusted_intermetatarsal_angle_measure("mc5").name
    'ima_adjusted_mc5'
    """
    _, ray = JOINTS[variant]
    return Measure(
        name=f"ima_adjusted_{variant}",
        title=f"True (effective) intermetatarsal angle 1-2, {ray} metatarsocuboid joint",
        abbreviation=f"true IMA ({ray} joint)",
        unit=DEGREE,
        construction=construction,
        vectors=(axis("M1", construction), axis("M2", construction), lesser_tarsus(variant)),
        function=adjusted_angle,
        constructions=CONSTRUCTIONS,
        definition=(
            f"IMA 1-2 plus the metatarsus adductus angle ({ray} metatarsocuboid joint) above 15 degrees; equal to "
            "the IMA where the adduction is 15 degrees or less."
        ),
        source="IMA + (MAA - 15), convention of podiatric texts (musculoskeletalkey); applied above 15 only",
        evidence=Evidence.PROPOSED,
        caution="Adjusted; never a substitute for the IMA beside it.",
    )

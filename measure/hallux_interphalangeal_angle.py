"""Hallux interphalangeal angle (HIA)."""

from __future__ import annotations

from raysplay.measure.axes import DISTAL_PHALANX, SHAFT, Landmarks, distal_phalanx, shaft, shaft_landmarks
from raysplay.measure.definition import DEGREE, Measure
from raysplay.measure.geometry import FloatArray, ang


def hallux_interphalangeal_angle(landmarks: Landmarks) -> FloatArray:
    """Angle from the proximal to the distal phalanx of the great toe; positive where the tip leans laterally.

    Parameters
    ----------
    landmarks : mapping of code to ndarray, shape (..., 2)
        Right-foot frame, any one unit of length.

    Returns
    -------
    ndarray, shape (...)
        Degrees; ``nan`` where an axis has no length.

    Examples
    --------
    >>> import numpy as np
    >>> proximal = {"PPp_med": [-5, 70], "PPp_lat": [5, 70], "PPd_med": [-5, 85], "PPd_lat": [5, 85]}
    >>> distal = {"DP_base_c": [0, 95], "DP_tip": [20, 115]}
    >>> foot = {code: np.array(xy, dtype=float) for code, xy in (proximal | distal).items()}
    >>> float(hallux_interphalangeal_angle(foot))
    45.0
    """
    return ang(shaft(landmarks, "PP"), distal_phalanx(landmarks))


HALLUX_INTERPHALANGEAL_ANGLE = Measure(
    name="hia",
    title="Hallux interphalangeal angle",
    abbreviation="HIA",
    unit=DEGREE,
    construction=SHAFT,
    landmarks=(*shaft_landmarks("PP"), *DISTAL_PHALANX),
    function=hallux_interphalangeal_angle,
    definition=(
        "Signed angle from the shaft axis of the proximal phalanx of the great toe to the axis of its distal "
        "phalanx (midpoint of the base to centre of the tuft); positive where the tip leans laterally."
    ),
    source="project fact sheet, section 1.2; other constructions are in use and give other values",
)

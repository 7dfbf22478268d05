"""Intermetatarsal angle 4-5 (IMA 4-5)."""

from __future__ import annotations

from raysplay.measure.axes import SHAFT, Landmarks, shaft, shaft_landmarks
from raysplay.measure.definition import DEGREE, Measure
from raysplay.measure.geometry import FloatArray, ang


def intermetatarsal_angle_4_5(landmarks: Landmarks) -> FloatArray:
    """Angle from the fourth to the fifth metatarsal; positive where they diverge distally.

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
    >>> fourth = {"M4p_med": [16, 10], "M4p_lat": [24, 10], "M4d_med": [16, 45], "M4d_lat": [24, 45]}
    >>> fifth = {"M5p_med": [30, 10], "M5p_lat": [38, 10], "M5d_med": [60, 40], "M5d_lat": [68, 40]}
    >>> foot = {code: np.array(xy, dtype=float) for code, xy in (fourth | fifth).items()}
    >>> float(intermetatarsal_angle_4_5(foot))
    45.0
    """
    return ang(shaft(landmarks, "M4"), shaft(landmarks, "M5"))


INTERMETATARSAL_ANGLE_4_5 = Measure(
    name="ima45",
    title="Intermetatarsal angle 4-5",
    abbreviation="IMA 4-5",
    unit=DEGREE,
    construction=SHAFT,
    landmarks=(*shaft_landmarks("M4"), *shaft_landmarks("M5")),
    function=intermetatarsal_angle_4_5,
    definition=(
        "Signed angle from the shaft axis of the fourth metatarsal to that of the fifth; "
        "positive where they diverge distally."
    ),
    source="project fact sheet, section 1.2; variants by a tangent of the proximal shaft exist (from memory)",
)

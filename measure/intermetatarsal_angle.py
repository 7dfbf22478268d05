"""Intermetatarsal angle 1-2 (IMA)."""

from __future__ import annotations

from raysplay.measure.axes import SHAFT, Landmarks, shaft, shaft_landmarks
from raysplay.measure.definition import DEGREE, Measure
from raysplay.measure.geometry import FloatArray, ang


def intermetatarsal_angle(landmarks: Landmarks) -> FloatArray:
    """Angle from the first to the second metatarsal; positive where they diverge distally.

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
    >>> first = {"M1p_med": [-26, 10], "M1p_lat": [-14, 10], "M1d_med": [-36, 20], "M1d_lat": [-24, 20]}
    >>> second = {"M2p_med": [-4, 20], "M2p_lat": [4, 20], "M2d_med": [-4, 60], "M2d_lat": [4, 60]}
    >>> foot = {code: np.array(xy, dtype=float) for code, xy in (first | second).items()}
    >>> float(intermetatarsal_angle(foot))
    45.0
    """
    return ang(shaft(landmarks, "M1"), shaft(landmarks, "M2"))


INTERMETATARSAL_ANGLE = Measure(
    name="ima",
    title="Intermetatarsal angle 1-2",
    abbreviation="IMA",
    unit=DEGREE,
    construction=SHAFT,
    landmarks=(*shaft_landmarks("M1"), *shaft_landmarks("M2")),
    function=intermetatarsal_angle,
    definition=(
        "Signed angle from the shaft axis of the first metatarsal to that of the second; "
        "positive where they diverge distally."
    ),
    source="Coughlin, Saltzman, Nunley, Foot Ankle Int 2002;23:68 (construction from memory)",
)

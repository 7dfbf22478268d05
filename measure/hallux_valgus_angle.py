"""Hallux valgus angle (HVA)."""

from __future__ import annotations

from raysplay.measure.axes import SHAFT, Landmarks, shaft, shaft_landmarks
from raysplay.measure.definition import DEGREE, Measure
from raysplay.measure.geometry import FloatArray, ang


def hallux_valgus_angle(landmarks: Landmarks) -> FloatArray:
    """Angle from the first metatarsal to the proximal phalanx of the great toe; positive in valgus.

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
    >>> metatarsal = {"M1p_med": [-6, 10], "M1p_lat": [6, 10], "M1d_med": [-6, 40], "M1d_lat": [6, 40]}
    >>> phalanx = {"PPp_med": [-5, 70], "PPp_lat": [5, 70], "PPd_med": [5, 80], "PPd_lat": [15, 80]}
    >>> foot = {code: np.array(xy, dtype=float) for code, xy in (metatarsal | phalanx).items()}
    >>> float(hallux_valgus_angle(foot))
    45.0
    """
    return ang(shaft(landmarks, "M1"), shaft(landmarks, "PP"))


HALLUX_VALGUS_ANGLE = Measure(
    name="hva",
    title="Hallux valgus angle",
    abbreviation="HVA",
    unit=DEGREE,
    construction=SHAFT,
    landmarks=(*shaft_landmarks("M1"), *shaft_landmarks("PP")),
    function=hallux_valgus_angle,
    definition=(
        "Signed angle from the shaft axis of the first metatarsal to that of the proximal phalanx of the "
        "great toe; positive in valgus."
    ),
    source="Coughlin, Saltzman, Nunley, Foot Ankle Int 2002;23:68 (construction from memory)",
)

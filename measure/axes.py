"""Axes of bones, all pointing distally.

Each construction is one function from named landmarks to a direction; the name of the construction goes with
every number that rests on it, since constructions do not give the same angle.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeAlias

import numpy as np

from raysplay.measure.geometry import FloatArray

Landmarks: TypeAlias = Mapping[str, FloatArray]
"""Landmark code to points, each of shape (..., 2), in the right-foot frame."""

SHAFT = "shaft"
"""Name of the construction through two mid-shaft points, each midway between the outer cortices."""

DISTAL_PHALANX = ("DP_base_c", "DP_tip")
"""Landmarks of :func:`distal_phalanx`."""

_COINCIDENT = 1e-9
"""Two points nearer than this part of their coordinates are one: what is left is rounding."""


def shaft_landmarks(bone: str) -> tuple[str, ...]:
    """Codes that :func:`shaft` reads for ``bone``.

    Examples
    --------
    >>> shaft_landmarks("M1")
    ('M1p_med', 'M1p_lat', 'M1d_med', 'M1d_lat')
    """
    return tuple(f"{bone}{level}_{cortex}" for level in ("p", "d") for cortex in ("med", "lat"))


def shaft(landmarks: Landmarks, bone: str) -> FloatArray:
    """Shaft axis of ``bone``: midpoint of the cortices at the proximal level to that at the distal level.

    Construction A of the fact sheet, section 1.1: the one of the AOFAS ad hoc committee (Coughlin, Saltzman,
    Nunley, Foot Ankle Int 2002;23:68); its detail is from memory. The levels, 30 % and 70 % of the bone's
    length, are this project's.

    Parameters
    ----------
    landmarks : mapping of code to ndarray, shape (..., 2)
    bone : str
        Prefix of the codes: ``M1``, ``M2``, ``M4``, ``M5``, ``PP`` (or ``PP5``).

    Returns
    -------
    ndarray, shape (..., 2)
        ``nan`` where the two midpoints coincide.

    Raises
    ------
    KeyError
        If a landmark of the bone is not in the mapping.

    Examples
    --------
    >>> import numpy as np
    >>> corners = {"M2p_med": [-4, 20], "M2p_lat": [4, 20], "M2d_med": [-4, 60], "M2d_lat": [4, 60]}
    >>> shaft({code: np.array(xy, dtype=float) for code, xy in corners.items()}, "M2").tolist()
    [0.0, 40.0]
    """
    proximal_medial, proximal_lateral, distal_medial, distal_lateral = (
        landmarks[code] for code in shaft_landmarks(bone)
    )
    return _direction((proximal_medial + proximal_lateral) / 2.0, (distal_medial + distal_lateral) / 2.0)


def distal_phalanx(landmarks: Landmarks) -> FloatArray:
    """Axis of the distal phalanx of the great toe: midpoint of its base to the centre of its tuft.

    Parameters
    ----------
    landmarks : mapping of code to ndarray, shape (..., 2)

    Returns
    -------
    ndarray, shape (..., 2)
        ``nan`` where the two points coincide.

    Examples
    --------
    >>> import numpy as np
    >>> distal_phalanx({"DP_base_c": np.array([-22.0, 95.0]), "DP_tip": np.array([-13.0, 114.0])}).tolist()
    [9.0, 19.0]
    """
    base, tip = (landmarks[code] for code in DISTAL_PHALANX)
    return _direction(base, tip)


def _direction(start: FloatArray, end: FloatArray) -> FloatArray:
    direction = end - start
    extent = np.maximum(np.abs(direction[..., 0]), np.abs(direction[..., 1]))
    size = np.maximum(
        np.maximum(np.abs(start[..., 0]), np.abs(start[..., 1])),
        np.maximum(np.abs(end[..., 0]), np.abs(end[..., 1])),
    )
    degenerate = extent <= _COINCIDENT * size
    if np.any(degenerate):
        direction = np.where(degenerate[..., None], np.nan, direction)
    return direction

"""Magnification of lengths by the diverging beam, and which millimetres may be reported."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.measure.geometry import FloatArray


@dataclass(frozen=True)
class SpacingUse:
    """What a kind of pixel spacing may be used for.

    Attributes
    ----------
    millimetres : bool
        Whether lengths in mm are reported.
    statement : str
        What those millimetres are; goes with every length.
    """

    millimetres: bool
    statement: str


def magnification(film_distance: npt.ArrayLike, height: npt.ArrayLike) -> FloatArray:
    """``SID / (SID - h)``: by how much a length parallel to the detector is enlarged.

    Parameters
    ----------
    film_distance : array_like
        Source to detector in mm.
    height : array_like
        Bone above the detector in mm.

    Examples
    --------
    >>> round(float(magnification(1000.0, 20.0)), 3)
    1.02
    """
    distance = np.asarray(film_distance, dtype=np.float64)
    return np.asarray(distance / (distance - np.asarray(height, dtype=np.float64)), dtype=np.float64)


def millimetres_allowed(kinds: Sequence[str], policy: Mapping[str, SpacingUse]) -> npt.NDArray[np.bool_]:
    """Whether lengths in mm may be reported, for each film's kind of pixel spacing.

    Raises
    ------
    KeyError
        If a kind is not in the policy: an unknown kind is never taken for millimetres.

    Examples
    --------
    >>> policy = {"fiducial": SpacingUse(True, "calibrated"), "unknown": SpacingUse(False, "pixels")}
    >>> millimetres_allowed(["unknown", "fiducial"], policy).tolist()
    [False, True]
    """
    return np.array([policy[kind].millimetres for kind in kinds], dtype=np.bool_)

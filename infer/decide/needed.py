"""Which landmarks the measures stand on, and which of them can be used."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from raysplay.configs.protocol import protocol
from raysplay.infer.decide.case import on_film
from raysplay.infer.decide.config import LandmarkLimits
from raysplay.infer.films.film import Film
from raysplay.infer.records import FootLandmarks
from raysplay.measure.schema import LandmarkSchema


def needed_landmarks(schema: LandmarkSchema, measures: Iterable[str]) -> list[int]:
    """Indices of the landmarks that the measures so named need, in schema order."""
    codes = {code for name in measures for code in protocol().measure(name).landmarks}
    return sorted(schema.index(code) for code in codes)


def usable_landmarks(film: Film, landmarks: FootLandmarks, limits: LandmarkLimits) -> npt.NDArray[np.bool_]:
    """Whether a measure may stand on each landmark: on the film and confident enough.

    Returns
    -------
    ndarray of bool, shape (L,)
        A measure that needs a point marked ``False`` is withheld.
    """
    confident = np.asarray(landmarks.confidence) >= limits.withhold_below
    usable: npt.NDArray[np.bool_] = confident & on_film(film, landmarks.points)
    return usable

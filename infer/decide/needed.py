"""Which measures decide over a foot, which landmarks they stand on, and which of these can be used."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from raysplay.infer.decide.case import on_film
from raysplay.infer.decide.config import IntervalLimits, LandmarkLimits
from raysplay.infer.films.film import Film
from raysplay.infer.records import FootLandmarks, Measurement
from raysplay.measure import Measure, by_name
from raysplay.measure.schema import LandmarkSchema


def deciding(measurements: Sequence[Measurement], limits: IntervalLimits) -> tuple[Measure, ...]:
    """Measures that can send a foot to a person, as they were built.

    Those reported with a limit on their interval. Where a protocol reports none of these, all that it reports:
    no foot may pass unlooked at.
    """
    limited = [one for one in measurements if one.measure in limits.widest]
    return tuple(by_name(one.measure, one.construction) for one in limited or measurements)


def needed_landmarks(schema: LandmarkSchema, measures: Iterable[Measure]) -> list[int]:
    """Indices of the landmarks that the measures need, in schema order."""
    codes = {code for measure in measures for code in measure.landmarks}
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

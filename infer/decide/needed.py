"""Which measures decide over a foot, which landmarks they stand on, and which of these can be used."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from raysplay.infer.decide.case import on_film
from raysplay.infer.decide.conditions import seen
from raysplay.infer.decide.settings import DecisionLimits, IntervalLimits
from raysplay.infer.films.film import Film
from raysplay.infer.records import FootLandmarks, Measurement
from raysplay.measure import Measure, by_name
from raysplay.measure.schema import LandmarkSchema


def reported(measurements: Iterable[Measurement]) -> tuple[Measure, ...]:
    """The measures of ``measurements``, as they were built."""
    return tuple(by_name(one.measure, one.construction) for one in measurements)


def deciding(measurements: Sequence[Measurement], limits: IntervalLimits) -> tuple[Measure, ...]:
    """Measures that can send a foot to a person, as they were built.

    Where a protocol reports none of those that the limits name, all that it reports: no foot may pass unlooked at.
    """
    return reported([one for one in measurements if one.measure in limits.decides] or measurements)


def needed_landmarks(schema: LandmarkSchema, measures: Iterable[Measure]) -> list[int]:
    """Indices of the landmarks that the measures need, ascending, which is schema order."""
    codes = {code for measure in measures for code in measure.landmarks}
    return sorted(schema.index(code) for code in codes)


def usable_landmarks(film: Film, landmarks: FootLandmarks, limits: DecisionLimits) -> npt.NDArray[np.bool_]:
    """Whether a measure may stand on each landmark: on the film and confident enough.

    Parameters
    ----------
    film : Film
    landmarks : FootLandmarks
        In pixels of that film.
    limits : DecisionLimits
        The least confidence that they ask for, of any foot or with a condition that this one seems to have.

    Returns
    -------
    ndarray of bool, shape (L,)
        A measure that needs a point marked ``False`` is withheld.
    """
    conditions = (limits.conditions[name] for name in seen(landmarks, limits.conditions))
    least = max(limits.landmarks.withhold_below, *(condition.withhold_below for condition in conditions), 0.0)
    usable: npt.NDArray[np.bool_] = (np.asarray(landmarks.confidence) >= least) & on_film(film, landmarks.points)
    return usable

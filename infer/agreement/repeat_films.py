"""What a new film of the same foot adds to the error of reading, where a study holds repeat films.

Design (``GUIDE.md``): the foot is taken off the stand and stands again for a second film, in a time in which no foot
changes; the readers do not know which films belong together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from raysplay.infer.agreement.statistics.estimate import Estimate
from raysplay.infer.agreement.statistics.repeatability import (
    minimal_detectable_change,
    new_films_any_reader,
    repeat_films,
)

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

WITHIN_NEW = "within-subject standard deviation, new films"
ERROR_NEW = "standard error of measurement, new films"
DETECTABLE_NEW = "minimal detectable change, new films"
OF_FILM = "standard deviation that a new film adds"


def by_stand(values: FloatArray, again: IntArray) -> FloatArray:
    """Numbers of feet (F, k) as an array of repeated feet, their films and the k numbers, (feet, films, k).

    ``again`` (F,) numbers the feet that stand on several films; -1 is left out, ``nan`` fills where films are fewer.

    Examples
    --------
    >>> by_stand(np.array([[1.0], [2.0], [3.0], [4.0]]), np.array([0, -1, 1, 0]))[:, :, 0].tolist()
    [[1.0, 4.0], [3.0, nan]]
    """
    count = np.bincount(again[again >= 0])
    found = np.full((len(count), int(count.max(initial=0)), values.shape[1]), np.nan)
    place = np.zeros(len(count), dtype=np.int64)
    for row in np.flatnonzero(again >= 0):
        foot = again[row]
        found[foot, place[foot]] = values[row]
        place[foot] += 1
    return found


def new_film_figures(
    tool: FloatArray, readings: FloatArray, readers: tuple[str, ...], again: IntArray, groups: IntArray, level: float
) -> Iterator[tuple[str, str, Estimate]]:
    """Whose, statistic and estimate: the tool, each reader, and any reader, over new films of the same foot.

    Parameters
    ----------
    tool : ndarray, shape (F,)
        In the unit of the measure; ``nan`` where the tool gave no number.
    readings : ndarray, shape (F, R, S)
        Of R readers in S sessions; ``nan`` for a missing one.
    readers : tuple of str, length R
    again : ndarray of int, shape (F,)
        Films of one foot share a number, 0.. without gaps; -1 of a foot with one film.
    groups : ndarray of int, shape (F,)
        Person of each.
    level : float
        Of the intervals, 0..1.

    Yields
    ------
    whose, statistic : str
    estimate : Estimate
        In the unit of the measure. Nothing at all comes where no foot stands on several films. Figures of all readers
        are made of each reader's first reading.
    """
    if not (again >= 0).any():
        return
    first_of = [int(np.flatnonzero(again == foot)[0]) for foot in range(int(again.max()) + 1)]
    persons = groups[first_of]
    if np.isfinite(tool).any():
        yield from _of_one("tool", by_stand(tool[:, None], again), persons, level)
    for r, reader in enumerate(readers):
        yield from _of_one(reader, by_stand(readings[:, r, :], again), persons, level)
    if len(readers) > 1:
        place = np.argmax(np.isfinite(readings), axis=2)
        first = np.take_along_axis(readings, place[:, :, None], axis=2)[:, :, 0]
        error = new_films_any_reader(by_stand(first, again), persons, level)
        yield "all readers", ERROR_NEW, error
        yield "all readers", DETECTABLE_NEW, _of_change(minimal_detectable_change(error))


def _of_one(who: str, reads: FloatArray, persons: IntArray, level: float) -> Iterator[tuple[str, str, Estimate]]:
    name = f"{who}, new films"
    found = repeat_films(reads, persons, level)
    yield name, WITHIN_NEW, found.total
    yield name, DETECTABLE_NEW, _of_change(minimal_detectable_change(found.total))
    if np.isfinite(found.film):
        value = found.film
        why = "the difference of two variances; no interval is given" + ("; none shows" if value == 0.0 else "")
        yield name, OF_FILM, replace(found.total, value=value, low=np.nan, high=np.nan, why=why)


def _of_change(found: Estimate) -> Estimate:
    """The estimate with what it says."""
    said = "a change between two films of a foot must be larger than this to be told from standing, beam and reading"
    return replace(found, why="; ".join(part for part in (found.why, said) if part))

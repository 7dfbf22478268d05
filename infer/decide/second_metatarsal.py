"""Where the second metatarsal lies, and parts of the film cut out by it: deformity moves it least."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.infer.decide.case import FootCase, on_film
from raysplay.infer.records import FloatArray
from raysplay.infer.warp import crop, transform_points

_AXIS = (("M2p_med", "M2p_lat"), ("M2d_med", "M2d_lat"))
"""The second metatarsal at 30 and at 70 % of its length."""

_LEVELS = 0.3, 0.7


@dataclass(frozen=True)
class Place:
    """Second metatarsal in the plane of square pixels: its base, its length distally and laterally as vectors (2,)."""

    base: FloatArray
    along: FloatArray
    lateral: FloatArray


def point(case: FootCase, *codes: str) -> FloatArray:
    """Mean of points in the plane of square pixels."""
    points = case.landmarks.points[[case.schema.index(code) for code in codes]]
    return transform_points(_square(case), points.mean(0))


def sure(case: FootCase, doubtful_below: float, *codes: str) -> bool:
    """Whether every one of the points has at least this confidence."""
    trust = case.landmarks.confidence[[case.schema.index(code) for code in codes]]
    return bool((trust >= doubtful_below).all())


def place_of(case: FootCase, doubtful_below: float) -> Place | None:
    """Of a foot whose second metatarsal is known."""
    near, far = (point(case, *codes) for codes in _AXIS)
    along = (far - near) / (_LEVELS[1] - _LEVELS[0])
    if not np.isfinite(along).all() or np.linalg.norm(along) < 1.0:
        return None
    if not sure(case, doubtful_below, *_AXIS[0], *_AXIS[1]):
        return None
    lateral = along @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    # Where the fifth metatarsal lies, on either foot.
    lateral *= np.sign((point(case, "M5p_lat") - point(case, "M1p_med")) @ lateral)
    return Place(near - _LEVELS[0] * along, along, lateral)


def _square(case: FootCase) -> FloatArray:
    """From pixels of the film to a plane where they are square."""
    return np.diag([1.0, case.film.spacing.aspect, 1.0])


def cut(case: FootCase, plane: FloatArray, size: tuple[int, int]) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Part of the film.

    Parameters
    ----------
    case : FootCase
    plane : ndarray, shape (3, 3)
        From pixels of the part to the plane of square pixels.
    size : (rows, columns)
        Of the part.

    Returns
    -------
    grey : ndarray, shape (rows, columns)
    on : ndarray of bool, shape (rows, columns)
        Which of its pixels are on the film.
    """
    film_from_part = np.linalg.inv(_square(case)) @ plane
    places = np.stack(np.meshgrid(np.arange(size[1]), np.arange(size[0])), axis=-1).astype(np.float64)
    on = on_film(case.film, transform_points(film_from_part, places))
    return crop(case.film.pixels, film_from_part, size).astype(np.float64), on

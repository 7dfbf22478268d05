"""What a gate looks at and what it says."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from raysplay.configs.protocol import ReadingProtocol, protocol
from raysplay.infer.films.film import Film
from raysplay.infer.films.side_letters import SideLetter
from raysplay.infer.reason import Reason
from raysplay.infer.records import BeamAngle, FloatArray, FootLandmarks, FoundFoot, Measurement, Outcome
from raysplay.measure.schema import LandmarkSchema


@dataclass(frozen=True)
class FootCase:
    """One foot with all that is known of it.

    Attributes
    ----------
    film : Film
    landmarks : FootLandmarks
    measurements : tuple of Measurement
        In registry order; ``nan`` where withheld.
    schema : LandmarkSchema
    companions : tuple of FoundFoot
        The other feet found on the same film.
    protocol : ReadingProtocol
        What the foot was measured by.
    letters : tuple of SideLetter
        Those found on the film, of whichever foot.
    beam : BeamAngle or None
        How steep the beam met the foot, an unproven estimate; None where it cannot be told.
    """

    film: Film
    landmarks: FootLandmarks
    measurements: tuple[Measurement, ...]
    schema: LandmarkSchema
    companions: tuple[FoundFoot, ...] = ()
    protocol: ReadingProtocol = field(default_factory=protocol)
    letters: tuple[SideLetter, ...] = ()
    beam: BeamAngle | None = None

    @property
    def foot(self) -> FoundFoot:
        """Where the foot lies, its side and its view."""
        return self.landmarks.foot


@dataclass(frozen=True)
class Finding:
    """What one gate found: what it leads to (nothing, where accepted) and why."""

    outcome: Outcome
    reason: Reason


def upright(film: Film, foot: FoundFoot, points: FloatArray) -> FloatArray:
    """Film pixels turned into the upright frame: x lateral, y distal, square, in film columns.

    Parameters
    ----------
    points : ndarray, shape (..., 2)
        Film pixels.

    Returns
    -------
    ndarray, shape (..., 2)
        Distances hold: only turned and mirrored, rows stretched by the film's aspect.
    """
    linear = np.asarray(foot.film_from_crop, dtype=float)[:2, :2]
    square = np.array([1.0, film.spacing.aspect])
    lateral = square * linear[:, 0]
    lateral = lateral / np.linalg.norm(lateral)
    # Up in the crop is distal; made orthogonal so that a sheared crop does not bend angles.
    distal = -square * linear[:, 1]
    distal = distal - lateral * (distal @ lateral)
    distal = distal / np.linalg.norm(distal)
    centred: FloatArray = (np.asarray(points, dtype=float) * square) @ np.stack([lateral, distal], axis=1)
    return centred


def on_film(film: Film, points: FloatArray, margin: float = 0.0) -> npt.NDArray[np.bool_]:
    """Whether each point lies on the film.

    Parameters
    ----------
    film : Film
    points : ndarray, shape (..., 2)
        Pixels of the film; ``nan`` lies nowhere.
    margin : float
        Pixels that a point must lie inside of the edge, which is half a pixel beyond the outermost centres.

    Returns
    -------
    ndarray of bool, shape (...)
    """
    rows, columns = film.pixels.shape
    x, y = points[..., 0], points[..., 1]
    edge = margin - 0.5
    inside = (x >= edge) & (x <= columns - 1 - edge) & (y >= edge) & (y <= rows - 1 - edge)
    return np.asarray(inside, dtype=bool)

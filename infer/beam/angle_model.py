"""The beam's angle from the landmarks of a foot, by a normal distribution fitted to generated feet; numpy alone.

Landmarks and angle of generated feet are taken as jointly normal. What a film shows of a foot then gives the angle with
a standard deviation by the textbook's formula for a conditional normal distribution, for whichever landmarks there are,
with the reader's own covariances added to those of the feet. Fitted by ``train/beam_angle_fit.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.network.weights_file import read_weights
from raysplay.measure.schema import LandmarkSchema

NETWORK = "beam_angle"
"""The name in its weights file."""

FloatArray = npt.NDArray[np.float64]

_LAID_BY = ("metatarsal_2", "metatarsal_3", "metatarsal_4")
"""Bones whose shaft corners lay a foot over the mean one: deformity moves them least."""

_LEAST_CORNERS = 8
"""Of those twelve; with fewer a foot cannot be laid."""


def laying_corners(schema: LandmarkSchema) -> list[int]:
    """Numbers of the landmarks that lay a foot over another: shaft corners of the second to fourth metatarsal."""
    named = zip(schema.codes, schema.bones, strict=True)
    return [k for k, (code, bone) in enumerate(named) if bone in _LAID_BY and code[2:4] in ("p_", "d_")]


def lay(points: FloatArray, over: FloatArray, corners: list[int]) -> tuple[FloatArray, FloatArray] | None:
    """Turn, scale and shift a foot so that its corners lie over those of another, by least squares.

    Procrustes' problem with scale (Gower and Dijksterhuis 2004, "Procrustes Problems"); never mirrored.

    Parameters
    ----------
    points, over : ndarray, shape (L, 2)
        Landmarks in schema order; ``nan`` where missing (not in ``over``).
    corners : list of int
        Those that count.

    Returns
    -------
    (ndarray of shape (L, 2), ndarray of shape (2, 2)) or None
        The points as laid, and the matrix that their differences were multiplied by from the right; None with too few
        corners, or where they coincide.
    """
    there = [k for k in corners if np.isfinite(points[k]).all()]
    if len(there) < _LEAST_CORNERS:
        return None
    middle, aim = points[there].mean(0), over[there].mean(0)
    own, other = points[there] - middle, over[there] - aim
    size = float((own**2).sum())
    u, _, v = np.linalg.svd(own.T @ other)
    turn = u @ np.diag([1.0, np.sign(np.linalg.det(u @ v))]) @ v
    if not size > 0:
        return None
    matrix: FloatArray = turn * float(np.sum((own @ turn) * other)) / size
    laid: FloatArray = (points - middle) @ matrix + aim
    return laid, matrix


@dataclass(frozen=True)
class AngleEstimate:
    """What a foot says of the beam.

    Attributes
    ----------
    value, sd : float
        Degrees toward the heel, against the upright of the sole.
    strangeness : float
        Squared Mahalanobis distance of the landmarks from generated feet, a coordinate: about 1 for one of them.
    """

    value: float
    sd: float
    strangeness: float


@dataclass(frozen=True)
class AngleModel:
    """The fitted distribution.

    Attributes
    ----------
    corners : list of int
        See :func:`laying_corners`.
    template : ndarray, shape (L, 2)
        The mean foot that others are laid over; its laying corners lie at a root mean square distance of 1.
    mean : ndarray, shape (2 L,)
        Of laid landmarks, x and y in turn.
    covariance : ndarray, shape (2 L, 2 L)
    with_angle : ndarray, shape (2 L,)
        Covariance of each coordinate with the angle.
    angle : ndarray, shape (2,)
        Mean and variance of the angle, degrees.
    """

    corners: list[int]
    template: FloatArray
    mean: FloatArray
    covariance: FloatArray
    with_angle: FloatArray
    angle: FloatArray

    @classmethod
    def read(cls, path: Path, schema: LandmarkSchema) -> AngleModel:
        """The model of a weights file.

        Raises
        ------
        WeightsError
            If the file is missing, damaged or made for something else, another list of landmarks among it.
        """
        stored, about = read_weights(path)
        count = len(schema)
        shapes = {
            "template": (count, 2),
            "mean": (2 * count,),
            "covariance": (2 * count, 2 * count),
            "with_angle": (2 * count,),
            "angle": (2,),
        }
        right = about.get("network") == NETWORK and about.get("landmarks") == landmarks_known(schema)
        if not right or {name: one.shape for name, one in stored.items()} != shapes:
            raise WeightsError(f"{path.name}: made for another network or landmark list")
        return cls(laying_corners(schema), **{name: np.asarray(stored[name], np.float64) for name in shapes})

    def laid(
        self, points: FloatArray, covariance: FloatArray
    ) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]] | None:
        """A foot laid over the template: parameters as of :meth:`estimate`.

        Returns
        -------
        (ndarray (2 L,), ndarray (2 L, 2 L), ndarray of bool (2 L,)) or None
            Coordinates, x and y in turn; their covariance, 0 where they are missing; which are there. None where the
            foot cannot be laid.
        """
        placed = lay(points, self.template, self.corners)
        if placed is None:
            return None
        laid, matrix = placed
        there = np.isfinite(laid).all(1)
        doubt = np.zeros((len(laid), 2, len(laid), 2))
        every = np.flatnonzero(there)
        doubt[every, :, every, :] = np.einsum("ai,lab,bj->lij", matrix, covariance[every], matrix)
        return laid.ravel(), doubt.reshape(self.covariance.shape), np.repeat(there, 2)

    def estimate(self, points: FloatArray, covariance: FloatArray) -> AngleEstimate | None:
        """The angle of the beam by the landmarks of one foot.

        Parameters
        ----------
        points : ndarray, shape (L, 2)
            In the frame of a right foot (x lateral, y distal), in any unit, turned anyhow; ``nan`` where missing.
        covariance : ndarray, shape (L, 2, 2)
            Of the points, in that unit squared.

        Returns
        -------
        AngleEstimate or None
            None where the foot cannot be laid.
        """
        placed = self.laid(points, covariance)
        if placed is None:
            return None
        laid, doubt, known = placed
        spread = (self.covariance + doubt)[np.ix_(known, known)]
        away, with_angle = laid[known] - self.mean[known], self.with_angle[known]
        solved = np.linalg.solve(spread, np.stack([away, with_angle], axis=1))
        mean, variance = self.angle
        return AngleEstimate(
            float(mean + with_angle @ solved[:, 0]),
            float(np.sqrt(max(variance - with_angle @ solved[:, 1], 0.0))),
            float(away @ solved[:, 0]) / len(away),
        )


def landmarks_known(schema: LandmarkSchema) -> str:
    """The list of landmarks as a weights file names it."""
    return " ".join(schema.codes)

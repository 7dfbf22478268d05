"""Landmarks of the shafts after the film's own edges have been heard."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.film import Film
from raysplay.infer.records import FootLandmarks
from raysplay.infer.settings import ShaftEdgeSettings
from raysplay.infer.shafts.belief import Belief, weigh
from raysplay.infer.shafts.cortex import CortexFits, find_cortices
from raysplay.infer.shafts.strips import Shafts, cut_strips
from raysplay.infer.warp import transform_covariance, transform_points
from raysplay.measure import LandmarkSchema
from raysplay.measure.axes import BONES

FloatArray = npt.NDArray[np.float64]

_CORNERS = ("p_med", "p_lat", "d_med", "d_lat")

_SMALLEST = 4.0
"""Pixels of width and of length below which a shaft shows no edges."""


@dataclass(frozen=True)
class Sight:
    """What film and network show of the B shafts that can be looked at.

    Attributes
    ----------
    corners : ndarray of int, shape (B, 4)
        Their landmarks.
    shafts : Shafts
        As the network has them, in the plane of square pixels.
    own : ndarray, shape (B, 4, 2, 2)
        Covariances of the corners there, after ``network_sd``.
    doubt, pixel : ndarray, shape (B, 2 sides, 2 levels)
        Standard deviation of the corners across the shaft and size of a pixel, as shares of its width.
    fits : CortexFits
    """

    corners: npt.NDArray[np.intp]
    shafts: Shafts
    own: FloatArray
    doubt: FloatArray
    pixel: FloatArray
    fits: CortexFits


def look(film: Film, read: FootLandmarks, schema: LandmarkSchema, settings: ShaftEdgeSettings) -> Sight | None:
    """Look for the cortices near the network's points; None if no bone is fit for it.

    Parameters
    ----------
    film : Film
    read : FootLandmarks
        As the network placed them, pixels of the film.
    schema : LandmarkSchema
    settings : ShaftEdgeSettings
    """
    points, covariance, confidence = read.points, read.covariance, read.confidence
    corners = np.array([[schema.index(bone + corner) for corner in _CORNERS] for bone in BONES])
    even_from_film = np.diag([1.0, film.spacing.aspect, 1.0])
    shafts = Shafts.of(transform_points(even_from_film, points[corners]))
    known = (confidence[corners] >= settings.confidence_min).all(1) & np.isfinite(covariance[corners]).all((1, 2, 3))
    usable = known & (shafts.length >= _SMALLEST) & (shafts.width >= _SMALLEST) & np.isfinite(shafts.slope).all(1)
    if not usable.any():
        return None
    corners = corners[usable]
    shafts = Shafts.of(transform_points(even_from_film, points[corners]))
    own = settings.network_sd**2 * transform_covariance(even_from_film, covariance[corners])
    across = np.sqrt(np.einsum("bi,bkij,bj->bk", shafts.across, own, shafts.across)) / shafts.width[:, None]
    doubt = _by_side(across)
    allowed = np.minimum(np.hypot(settings.search_least, settings.search_factor * doubt), settings.search_most)
    strips = cut_strips(film.pixels, np.linalg.inv(even_from_film), shafts)
    pixel = np.broadcast_to(1 / shafts.width[:, None, None], doubt.shape)
    return Sight(corners, shafts, own, doubt, pixel, find_cortices(strips, _by_side(shafts.level), allowed))


def refine_shafts(
    film: Film, read: FootLandmarks, schema: LandmarkSchema, settings: ShaftEdgeSettings
) -> FootLandmarks:
    """Move the cortex landmarks of every shaft to where film and network together place them.

    The definition stays: outer cortices at 30 % and 70 % of the projected length (``configs/landmarks.yaml``). The
    network alone says where these levels are; both cortices of a level are taken at the mean of its two points along
    the bone, as the definition asks, and across the bone the film's edge is weighed against the network
    (:func:`~raysplay.infer.shafts.belief.weigh`).

    Parameters
    ----------
    film, read, schema, settings
        As for :func:`look`.

    Returns
    -------
    FootLandmarks
        With points and covariances refined. Doubt about the level is carried along the middle of the shaft: where a
        shaft is bowed or flared to one side, it is doubt about its axis, too. Other landmarks, and bones of which one
        corner is not to be relied on, come back as they are.
    """
    sight = look(film, read, schema, settings)
    if sight is None:
        return read
    belief = weigh(sight.fits, sight.doubt, sight.pixel, settings)
    moved, spread = _placed(sight, _without_strangers(belief, sight.doubt, settings))
    film_from_even = np.diag([1.0, 1.0 / film.spacing.aspect, 1.0])
    points, covariance = read.points.copy(), read.covariance.copy()
    points[sight.corners] += transform_points(film_from_even, moved)
    covariance[sight.corners] = transform_covariance(film_from_even, spread)
    return replace(read, points=points, covariance=covariance)


def _by_side(corners: FloatArray) -> FloatArray:
    """(B, 4) in the order of the corners as (B, side, level), and back again."""
    return corners.reshape(-1, 2, 2).transpose(0, 2, 1)


def _without_strangers(belief: Belief, doubt: FloatArray, settings: ShaftEdgeSettings) -> Belief:
    """Where most edges of a bone are not its cortices, none of them moves a point or narrows its doubt."""
    fits = (belief.edge_right.mean((1, 2)) >= settings.right_least)[:, None, None]
    return Belief(
        np.where(fits, belief.mean, 0.0),
        np.where(fits, belief.variance, np.maximum(belief.variance, doubt**2)),
        np.where(fits, belief.edge_right, 0.0),
    )


def _placed(sight: Sight, belief: Belief) -> tuple[FloatArray, FloatArray]:
    """How far each corner moves, (B, 4, 2), and its covariance afterwards, (B, 4, 2, 2), in the plane of the shafts."""
    shafts, own, fits = sight.shafts, sight.own, sight.fits
    inward = np.array([1.0, -1.0])[:, None]
    # Drift of the cortex along the axis: the edge's where it is one, else that of the line through both points.
    drift = fits.slope.clip(-0.6, 0.6) * (shafts.width / shafts.length)[:, None, None]
    slope = shafts.slope[:, :, None] + inward * drift * belief.edge_right
    level = _by_side(shafts.level)
    along = (level.mean(1, keepdims=True) - level) * shafts.length[:, None, None]
    aside = inward * belief.mean * shafts.width[:, None, None] + slope * along
    axis, across = shafts.axis[:, None, None], shafts.across[:, None, None]
    moved = along[..., None] * axis + aside[..., None] * across
    variance = belief.variance * (shafts.width**2)[:, None, None]
    own_along = np.einsum("bi,bkij,bj->bk", shafts.axis, own, shafts.axis)
    level_variance = np.broadcast_to(_by_side(own_along).mean(1, keepdims=True), variance.shape)
    # Both cortices of a level share its error, which halves for neither: hence once more the middle's part.
    middle = np.broadcast_to(slope.mean(1, keepdims=True), slope.shape)
    run = axis + middle[..., None] * across
    spread = level_variance[..., None, None] * run[..., :, None] * run[..., None, :]
    extra = (variance + middle**2 * level_variance)[..., None, None]
    spread = spread + extra * across[..., :, None] * across[..., None, :]
    return _by_corner(moved), _by_corner(spread)


def _by_corner(sides: FloatArray) -> FloatArray:
    """(B, side, level, ...) in the order of the corners."""
    return sides.swapaxes(1, 2).reshape(len(sides), 4, *sides.shape[3:])

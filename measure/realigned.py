"""The same foot with its first ray laid as in published normal feet: what a bump is, drawn to scale.

The first metatarsal turns about its base, the great toe about the head of the first metatarsal. The bones stay as they
are, and so do the sesamoids: they keep their distance to the second metatarsal while the first moves away (Geng and
others, J Orthop Surg Res 2015;10:140, seen). It is a picture of how far bones stand from there, not a plan of
treatment: no hand and no operation moves bones this way.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from raysplay.measure.axes import SHAFT
from raysplay.measure.geometry import FloatArray
from raysplay.measure.propagate import measure_values
from raysplay.measure.registry import under
from raysplay.measure.schema import LandmarkSchema

FIRST_METATARSAL = ("metatarsal_1",)
GREAT_TOE = ("proximal_phalanx_1", "distal_phalanx_1")
"""Bones that turn, as ``configs/landmarks.yaml`` names them."""

PIVOTS = ("M1_base_c", "M1_head_c")
"""Landmarks about which the metatarsal and the toe turn."""


def realigned(
    points: npt.ArrayLike, schema: LandmarkSchema, *, hva: float, ima: float, construction: str = SHAFT
) -> FloatArray:
    """Landmarks with the first ray turned until the two angles are as given.

    Parameters
    ----------
    points : array_like, shape (L, 2)
        Of one foot in the right-foot frame, in mm or any one unit; ``nan`` where not placed.
    schema : LandmarkSchema
    hva, ima : float
        Hallux valgus and intermetatarsal angle to lay the foot at, degrees.
    construction : str
        Of both angles.

    Returns
    -------
    ndarray, shape (L, 2)
        All ``nan`` where an axis or a pivot is missing: a part of a foot cannot be laid.

    Examples
    --------
    >>> codes = ("M1_base_c", "M1_head_c", "M2_base_c", "M2_tip", "PPp_med", "PPp_lat", "PPd_med", "PPd_lat")
    >>> shaft = ("M1p_med", "M1p_lat", "M1d_med", "M1d_lat", "M2p_med", "M2p_lat", "M2d_med", "M2d_lat")
    >>> bones = ["metatarsal_1"] * 2 + ["metatarsal_2"] * 2 + ["proximal_phalanx_1"] * 4
    >>> schema = LandmarkSchema((*codes, *shaft), (*bones, *["metatarsal_1"] * 4, *["metatarsal_2"] * 4))
    >>> foot = [[0, 0], [-20, 60], [18, 0], [18, 75], [-24, 72], [-14, 68], [-20, 86], [-10, 82]]
    >>> foot += [[-9, 15], [0, 18], [-19, 45], [-10, 48], [14, 20], [22, 20], [14, 60], [22, 60]]
    >>> laid = realigned(foot, schema, hva=11.0, ima=8.7)
    >>> bool(np.isclose(measure_values(laid[None], schema, measures=[under("hva", SHAFT)])["hva"][0], 11.0))
    True
    """
    given = np.asarray(points, dtype=np.float64)
    angles = measure_values(given[None], schema, measures=[under("hva", construction), under("ima", construction)])
    now_hva, now_ima = float(angles["hva"][0]), float(angles["ima"][0])
    base, head = (given[schema.index(code)] for code in PIVOTS)
    if not np.isfinite([now_hva, now_ima, *base, *head]).all():
        return np.full_like(given, np.nan)
    bones = np.array(schema.bones)
    toe = np.isin(bones, GREAT_TOE)
    ray = toe | np.isin(bones, FIRST_METATARSAL)
    laid = given.copy()
    laid[ray] = _turned(given[ray], base, now_ima - ima)
    laid[toe] = _turned(laid[toe], laid[schema.index(PIVOTS[1])], hva - now_hva)
    return laid


def _turned(points: FloatArray, about: FloatArray, degrees: float) -> FloatArray:
    """Turned laterally (clockwise, +x lateral and +y distal) about a point."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    turned: FloatArray = about + (points - about) @ np.array([[c, s], [-s, c]]).T
    return turned

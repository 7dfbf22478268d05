"""How much of the leg lies in the picture behind a foot: the bright band that runs on where the heel ends.

A foot that stands has its leg over the heel, and a beam that leans toward the heel throws it back a little. A leg that
lies on the table beside the plate's edge, as for a film of the ankle, is there in its length.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from raysplay.infer.decide.case import FootCase
from raysplay.infer.decide.second_metatarsal import cut, place_of
from raysplay.infer.records import FloatArray

_FINE = 40
"""Pixels in the length of the second metatarsal, which is the unit of all lengths here."""

_ASIDE, _HEAD, _ANKLE, _FAR = 2.5, 1.0, -1.0, 2.5
"""How far the part reaches to either side; where along the second metatarsal (0 its base, 1 its head) it begins and the
ankle lies, about; and how far behind that the leg is looked for."""

_NEAR, _STEP = 0.5, 0.05
"""From where behind the ankle, and from one arc about it to the next."""

_ARC, _AIM, _TURN = 70.0, 45.0, 0.5
"""Degrees to either side of straight back that are looked at, and that the middle of a leg lies in; and a step."""

_WIDTH = 0.2, 1.6
"""Of a leg with its soft parts."""

_BODY = 0.3
"""Grey from which something lies there, between background (0) and metatarsals (1)."""

_METATARSALS, _DARK = 0.25, 8
"""Half the width in which grey values of the metatarsals are taken, and the percentile of the background there."""


def leg_length(case: FootCase, doubtful_below: float = 0.0) -> float | None:
    """How far a leg can be followed behind the ankle, in lengths of the second metatarsal on the film.

    On every arc about the ankle there is a leg where what is brighter than the background has the width of one and ends
    in background on either side: what runs to an edge of the film, as a border of the field does, is none.

    Parameters
    ----------
    case : FootCase
    doubtful_below : float
        Confidence of the second metatarsal's points below which nothing is said.

    Returns
    -------
    float or None
        0 to 2. None where the second metatarsal is not known, or the film shows nothing beside it.
    """
    place = place_of(case, doubtful_below)
    if place is None:
        return None
    plane = np.eye(3)
    plane[:2, 0], plane[:2, 1] = place.lateral / _FINE, -place.along / _FINE
    plane[:2, 2] = place.base + _HEAD * place.along - _ASIDE * place.lateral
    rows, columns = round((_HEAD - _ANKLE + _FAR) * _FINE) + 1, round(2 * _ASIDE * _FINE) + 1
    sheet, on = cut(case, plane, (rows, columns))
    fore, middle = slice(0, round(_HEAD * _FINE)), columns // 2
    if not on[fore].any():
        return None
    half = round(_METATARSALS * _FINE)
    dark = float(np.percentile(sheet[fore][on[fore]], _DARK))
    bone = float(np.median(sheet[fore, middle - half : middle + half + 1]))
    body = gaussian_filter(sheet, 1.0) > dark + _BODY * (bone - dark)
    angles = np.radians(np.arange(-_ARC, _ARC + _TURN / 2, _TURN))
    shown = 0
    for radius in np.arange(_NEAR, _FAR, _STEP):
        across = np.round((_ASIDE + radius * np.sin(angles)) * _FINE).astype(int)
        down = np.round((_HEAD - _ANKLE + radius * np.cos(angles)) * _FINE).astype(int)
        shown += _shows_leg(body[down, across], on[down, across], angles, float(radius))
    return shown * _STEP


def _shows_leg(body: npt.NDArray[np.bool_], on: npt.NDArray[np.bool_], angles: FloatArray, radius: float) -> bool:
    """Whether one stretch of body on an arc (K,), ``on`` the film, is as wide as a leg and ends on either side."""
    there = np.where(on, np.where(body, 1, 0), -1)
    breaks = [0, *(np.flatnonzero(np.diff(there)) + 1), len(there)]
    parts = list(pairwise(breaks))
    for before, (start, stop), after in zip(parts, parts[1:], parts[2:], strict=False):
        if there[start] == 1 and there[before[0]] == 0 and there[after[0]] == 0:
            wide = radius * float(angles[stop] - angles[start])
            aim = abs(float(angles[start] + angles[stop - 1]) / 2)
            if _WIDTH[0] <= wide <= _WIDTH[1] and aim <= np.radians(_AIM):
                return True
    return False

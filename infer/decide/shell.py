"""Does a shell stand beside the foot? A cast lies outside the skin: its wall is a bright ridge along the shafts.

The landmark network takes soft parts that it never saw, above all even ones with a sharp border, for a cast as well.
What tells them apart is measured on the film itself: from the outer cortex of the first and of the fifth metatarsal
outward, grey values of a foot fall to the background; those of a cast rise once more at its wall, all along the shaft.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter

from raysplay.infer.decide.case import FootCase, on_film
from raysplay.infer.records import FloatArray
from raysplay.infer.warp import crop, transform_points

_SIDES = (("M1p_med", "M1d_med", -1.0), ("M5p_lat", "M5d_lat", 1.0))
"""Two points of an outer cortex, and which way is outward: medially, laterally."""

_AXIS = (("M2p_med", "M2p_lat"), ("M2d_med", "M2d_lat"))
"""The second metatarsal at 30 and at 70 % of its length."""

_LEVELS = 0.3, 0.7

_FINE = 150
"""Pixels of a strip in the length of the second metatarsal."""

_FROM, _TO, _START, _REACH = -0.25, 0.6, 0.03, 0.55
"""A strip runs so far along the second metatarsal (0 its base, 1 its head), and from so far outside the cortex to so
far, in its lengths. Casts that end before the toes cover this part."""

_APART = 5
"""Rows of a strip from one profile to the next."""

_FEWEST, _SOFT = 45, 10
"""Pixels of a profile on the film without which it says nothing, since a wall may lie beyond; and those next to the
cortex that soft parts are told by."""

_SHARE = 60
"""Percent of the profiles of one side that must show the wall at least as plainly."""

_LEAST_CONTRAST = 0.06
"""Contrast of soft parts, in shares of the film's range, that less is taken for: else noise looks like a wall."""

_PAST, _BORDER = 5, 15
"""Least pixels past the ridge by which the background there is told, and within how many a dark line lies."""


def shell_ridge(case: FootCase, doubtful_below: float = 0.0) -> float | None:
    """How far the wall of a shell stands out beside the foot, in contrasts of soft parts against the background.

    Parameters
    ----------
    case : FootCase
    doubtful_below : float
        Confidence of a point below which a side that stands on it is not looked at.

    Returns
    -------
    float or None
        About 0 where grey values only fall; of the side where it is more. None where neither side can be looked at.
    """
    points = transform_points(_square(case), case.landmarks.points)

    def at(*codes: str) -> FloatArray:
        mean: FloatArray = points[[case.schema.index(code) for code in codes]].mean(0)
        return mean

    def sure(*codes: str) -> bool:
        trust = case.landmarks.confidence[[case.schema.index(code) for code in codes]]
        return bool((trust >= doubtful_below).all())

    near, far = (at(*codes) for codes in _AXIS)
    along = (far - near) / (_LEVELS[1] - _LEVELS[0])
    base = near - _LEVELS[0] * along
    if not np.isfinite(along).all() or np.linalg.norm(along) < 1.0 or not sure(*_AXIS[0], *_AXIS[1]):
        return None
    lateral = along @ np.array([[0.0, 1.0], [-1.0, 0.0]])
    # Where the fifth metatarsal lies, on either foot.
    lateral *= np.sign((at("M5p_lat") - at("M1p_med")) @ lateral)
    sides = [
        _ridge(*_strip(case, base, along, at(proximal), at(distal), sign * lateral))
        for proximal, distal, sign in _SIDES
        if sure(proximal, distal)
    ]
    return max((ridge for ridge in sides if ridge is not None), default=None)


def _square(case: FootCase) -> FloatArray:
    """From pixels of the film to a plane where they are square."""
    return np.diag([1.0, case.film.spacing.aspect, 1.0])


def _strip(
    case: FootCase, base: FloatArray, along: FloatArray, near: FloatArray, far: FloatArray, outward: FloatArray
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Grey values beside the line through two points of a cortex, row by row outward, and which lie on the film.

    ``along`` and ``outward`` are as long as the second metatarsal, in the plane of square pixels.
    """
    square = float(along @ along)
    levels = [float((p - base) @ along) / square for p in (near, far)]
    aside = [float((p - base) @ outward) / square for p in (near, far)]
    rise = levels[1] - levels[0]
    slope = (aside[1] - aside[0]) / rise if abs(rise) > 0.05 else 0.0
    rows, columns = round((_TO - _FROM) * _FINE) + 1, round((_REACH - _START) * _FINE) + 1
    plane = np.eye(3)
    plane[:2, 0], plane[:2, 1] = outward / _FINE, (along + slope * outward) / _FINE
    plane[:2, 2] = base + along * _FROM + outward * (aside[0] + slope * (_FROM - levels[0]) + _START)
    film_from_strip = np.linalg.inv(_square(case)) @ plane
    places = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).astype(np.float64)
    on = on_film(case.film, transform_points(film_from_strip, places))
    return crop(case.film.pixels, film_from_strip, (rows, columns)).astype(np.float64), on


def _ridge(strip: FloatArray, on: npt.NDArray[np.bool_]) -> float | None:
    """What ``shell_ridge`` says of one side, or None where too little of it is on the film."""
    if not on.any():
        return None
    smooth = gaussian_filter(strip, 1.0)
    dark = float(np.percentile(strip[on], 5))
    seen = []
    soft = []
    for row, there in zip(smooth[::_APART], on[::_APART], strict=True):
        profile = row[there]
        if there[0] and len(profile) >= _FEWEST:
            seen.append(_prominence(profile))
            soft.append(float(np.median(profile[:_SOFT])))
    if 2 * len(seen) < len(smooth[::_APART]):
        return None
    contrast = max(float(np.median(soft)) - dark, _LEAST_CONTRAST)
    return float(np.percentile(seen, 100 - _SHARE)) / contrast


def _prominence(profile: FloatArray) -> float:
    """How far the plainest ridge stands out of what lies on either side of it.

    A film whose edges were enhanced has a bright line within every border and a dark line outside of it: as much as the
    dark line lies below the background is taken off.
    """
    inner = profile - np.minimum.accumulate(profile)
    outer = profile - np.minimum.accumulate(profile[::-1])[::-1]
    stands = np.minimum(inner, outer)
    top = int(stands.argmax())
    past = profile[top:]
    background = float(np.median(past[-max(_PAST, len(past) // 3) :]))
    return float(stands[top]) - max(background - float(past[:_BORDER].min()), 0.0)

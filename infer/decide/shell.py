"""Does a shell lie about the foot? Its wall is a bright ridge beside the shafts, its end a straight step across them.

The landmark network takes soft parts that it never saw, above all even ones with a sharp border, for a cast as well.
What tells them apart is measured on the film itself: from the outer cortex of the first and of the fifth metatarsal
outward, grey values of a foot fall to the background; those of a cast rise once more at its wall, all along the shaft.
And where a cast ends before the toes, all that lies across the foot grows darker at one straight line.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from raysplay.infer.decide.case import FootCase
from raysplay.infer.decide.second_metatarsal import Place, cut, place_of, point, sure
from raysplay.infer.records import FloatArray

_SIDES = (("M1p_med", "M1d_med", -1.0), ("M5p_lat", "M5d_lat", 1.0))
"""Two points of an outer cortex, and which way is outward: medially, laterally."""

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


_END_FINE, _END_BLUR = 80, 1.3
"""For the end of a shell: pixels in the length of the second metatarsal, and pixels over which a step is taken."""

_END_FROM, _END_TO, _END_TILT, _TILTS = 0.35, 1.45, 0.6, 25
"""Where it is looked for along the second metatarsal, how far its line may lean, and how many leanings are tried."""

_END_ASIDE, _AROUND = 0.10, 0.5
"""How far outside the outer cortices the line runs, and how far the background is looked for."""

_END_SHARE = 75
"""Percent of the places along the line that must show the step at least as plainly."""

_ON_FILM, _LINES_ON_FILM = 0.9, 0.6
"""Share of a line that must lie on the film for it to count, and share of the lines of one leaning that must count."""


def shell_wall(case: FootCase, doubtful_below: float = 0.0) -> float | None:
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
    place = place_of(case, doubtful_below)
    if place is None:
        return None
    sides = [
        _ridge(*_strip(case, place, point(case, proximal), point(case, distal), sign * place.lateral))
        for proximal, distal, sign in _SIDES
        if sure(case, doubtful_below, proximal, distal)
    ]
    return max((ridge for ridge in sides if ridge is not None), default=None)


def shell_end(case: FootCase, doubtful_below: float = 0.0) -> float | None:
    """How plainly a straight step across the foot shows the end of a shell.

    Parameters
    ----------
    case : FootCase
    doubtful_below : float
        Confidence of a point below which the foot is not looked at.

    Returns
    -------
    float or None
        Fall of grey values over an eightieth of the second metatarsal, in contrasts of what lies there against the
        background; about 0 for a foot. None where it cannot be looked at.
    """
    place = place_of(case, doubtful_below)
    if place is None or not sure(case, doubtful_below, *(code for side in _SIDES for code in side[:2])):
        return None
    square = float(place.along @ place.along)
    medial, lateral = (
        0.5 * float((point(case, near) + point(case, far) - 2 * place.base) @ place.lateral) / square
        for near, far, _ in _SIDES
    )
    lean = _END_TILT * (0.5 * (lateral - medial) + _END_ASIDE)
    low, high = _END_FROM - lean, _END_TO + lean
    plane = np.eye(3)
    plane[:2, 0], plane[:2, 1] = place.lateral / _END_FINE, place.along / _END_FINE
    plane[:2, 2] = place.base + place.along * low + place.lateral * (medial - _AROUND)
    size = round((high - low) * _END_FINE) + 1, round((lateral - medial + 2 * _AROUND) * _END_FINE) + 1
    sheet, on = cut(case, plane, size)
    margin = round((_AROUND - _END_ASIDE) * _END_FINE)
    inner = slice(margin, size[1] - margin)
    if size[1] <= 2 * margin or not on.any():
        return None
    contrast = max(float(np.median(sheet[:, inner])) - float(np.percentile(sheet[on], 3)), _LEAST_CONTRAST)
    falls = -gaussian_filter1d(sheet[:, inner], _END_BLUR, axis=0, order=1)
    column = np.arange(falls.shape[1])
    middles = np.arange(round(lean * _END_FINE), size[0] - round(lean * _END_FINE))
    plainest, lines = 0.0, 0.0
    for tilt in np.linspace(-_END_TILT, _END_TILT, _TILTS):
        drift = np.round(tilt * (column - column.mean())).astype(int)
        rows = np.clip(middles[:, None] + drift, 0, size[0] - 1)
        there = on[:, inner][rows, column].mean(1) >= _ON_FILM
        lines = max(lines, float(there.mean()))
        steps = np.percentile(falls[rows, column], 100 - _END_SHARE, axis=1)
        plainest = max(plainest, float(steps.max(where=there, initial=0.0)))
    return plainest / contrast if lines >= _LINES_ON_FILM else None


def _strip(
    case: FootCase, place: Place, near: FloatArray, far: FloatArray, outward: FloatArray
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Grey values beside the line through two points of a cortex, row by row outward, and which lie on the film.

    ``outward`` is as long as the second metatarsal, in the plane of square pixels.
    """
    base, along = place.base, place.along
    square = float(along @ along)
    levels = [float((p - base) @ along) / square for p in (near, far)]
    aside = [float((p - base) @ outward) / square for p in (near, far)]
    rise = levels[1] - levels[0]
    slope = (aside[1] - aside[0]) / rise if abs(rise) > 0.05 else 0.0
    rows, columns = round((_TO - _FROM) * _FINE) + 1, round((_REACH - _START) * _FINE) + 1
    plane = np.eye(3)
    plane[:2, 0], plane[:2, 1] = outward / _FINE, (along + slope * outward) / _FINE
    plane[:2, 2] = base + along * _FROM + outward * (aside[0] + slope * (_FROM - levels[0]) + _START)
    return cut(case, plane, (rows, columns))


def _ridge(strip: FloatArray, on: npt.NDArray[np.bool_]) -> float | None:
    """What ``shell_wall`` says of one side, or None where too little of it is on the film."""
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

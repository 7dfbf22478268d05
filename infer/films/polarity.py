"""Tells whether a film shows bone dark, by comparing its background with what lies inside it."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

_SIDE = 160
_BRIGHT = 0.62
_DARK = 0.3
_FLAT = 0.02
_FRAME = 0.04
_FRAME_SHARE = 0.5
_AIR_SHARE = 0.12


def looks_inverted(grey: npt.NDArray[Any]) -> bool:
    """Whether ``grey`` (rows, columns; any range) shows a dark foot on a bright background.

    Air absorbs nothing, so on a bone-bright film air is the darkest part, and it is flat. The rule, on
    the picture reduced to about 160 pixels and stretched to 0..1: a film is inverted if at least half of
    its outer frame (4 % a side) is bright *and* the parts of its interior that are both dark and flat
    make up less than 12 % of it. The second condition spares a bone-bright film with a bright, unexposed
    margin around the collimated field, whose interior still holds dark, flat air.

    The limits were set on 332 public radiographs of feet: none of them is called inverted as it is, and
    none with a bright margin added; of their negatives 329 are called inverted.
    """
    small = _shrink(grey)
    low, high = np.percentile(small, (1, 99))
    if not high > low or min(small.shape) < 16:
        return False
    small = np.clip((small - low) / (high - low), 0.0, 1.0)

    margin = max(2, round(_FRAME * min(small.shape)))
    frame = np.ones(small.shape, dtype=bool)
    frame[margin:-margin, margin:-margin] = False
    bright = small > _BRIGHT
    if np.count_nonzero(bright & frame) < _FRAME_SHARE * np.count_nonzero(frame):
        return False
    interior = small[margin:-margin, margin:-margin]
    flat = ndimage.gaussian_gradient_magnitude(interior, 1.0) < _FLAT
    return bool(np.count_nonzero(flat & (interior < _DARK)) < _AIR_SHARE * interior.size)


def _shrink(grey: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    step = max(1, round(max(grey.shape) / _SIDE))
    rows, columns = (side // step * step for side in grey.shape)
    blocks = grey[:rows, :columns].reshape(rows // step, step, columns // step, step)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float32))

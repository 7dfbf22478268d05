"""Looks in a decoded picture for what damaged JPEG data leave where the decoder noticed nothing.

Every block states its mean as a difference from that of the block before (ITU-T T.81, F.1.1.5.1). Where one of them is
wrong, all blocks after it are too bright or too dark by one amount, row by row to the end of the scan. The picture then
steps along the lower border of a row of blocks up to some column, and along its upper border from that column on. No
anatomy does so: what goes on across such a border is the same picture, a constant added or cut off at black or white.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.film import Damage
from raysplay.infer.films.jpeg import BLOCK, JpegFrame

FloatArray = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

# All in grey levels of 256. Of 612 sound films (332 public radiographs, 280 generated ones of JPEG quality 15 to 95) no
# border has a constant step on more than half of its blocks, once it is large enough (`_smallest`) and what
# continues across it is no flat ground.
_BLACK, _WHITE = 5, 250  # beyond, a grey value may have been cut off
_SHARE = 0.65  # of the blocks along a border
_FEWEST = 8  # blocks
_TOLERANCE = 0.25  # of the step; a block that differs by no more shows it
_STEP = 2.0  # smaller steps move no landmark
_LEVELS = 1.5  # a slow change of brightness steps by one level of the coded means
_USUAL = 3.0  # times the larger steps of the film's other borders: worn detectors and grids have rows of their own
_CONTRAST, _CORRELATION = 1.5, 0.5  # of what continues across the border
_CUT = 16.0  # what is cut off at black or white must have been this far from it
_EACH_SIDE = 3  # blocks on either side of the corner of a cut; a straight one may be the edge of the exposed field


@dataclass(frozen=True)
class _Borders:
    """Means of the pixel rows above and below the borders of coded rows, and the step between, arrays (K, B) of blocks.

    A step is that beyond the slope on both sides; infinite where the block below is black or white and the one above
    is not, nan where it cannot be told.
    """

    above: FloatArray
    below: FloatArray
    step: FloatArray

    def next(self) -> _Borders:
        """The next border at each border's place."""

        def moved(values: FloatArray) -> FloatArray:
            return np.concatenate([values[1:], np.full_like(values[:1], np.nan)])

        return _Borders(moved(self.above), moved(self.below), moved(self.step))

    def joined(self, after: _Borders, column: int) -> _Borders:
        """Each border from a column of blocks on, and the one after it before that column."""

        def join(here: FloatArray, there: FloatArray) -> FloatArray:
            return np.concatenate([there[:, :column], here[:, column:]], axis=1)

        return _Borders(join(self.above, after.above), join(self.below, after.below), join(self.step, after.step))

    def only(self, border: int) -> _Borders:
        """One border, as arrays (1, B)."""
        row = slice(border, border + 1)
        return _Borders(self.above[row], self.below[row], self.step[row])

    def shows(self, steps: npt.NDArray[Any]) -> Mask:
        """Which blocks show the step (K,) of their border."""
        wanted = steps[:, None]
        with np.errstate(invalid="ignore"):
            near = np.abs(self.step - wanted) <= np.maximum(_TOLERANCE * np.abs(wanted), 0.5)
            plain = near & np.isfinite(wanted) & np.isfinite(self.step)
            black = (self.step == -np.inf) & (self.above + wanted <= _BLACK + 4)
            white = (self.step == np.inf) & (self.above + wanted >= _WHITE - 4)
        return np.asarray(plain | black | white)


def seen_damage(grey: npt.NDArray[np.uint8], frame: JpegFrame) -> Damage | None:
    """What looks damaged of a JPEG picture that could be decoded; ``grey`` (rows, columns) as decoded, not turned."""
    if torn(grey, frame.unit_rows, frame.level):
        return Damage.TORN
    return Damage.TABLES if frame.odd_tables else None


def torn(grey: npt.NDArray[np.uint8], unit_rows: int = BLOCK, level: float = 0.0) -> bool:
    """Whether the picture steps by a constant along the border of a coded row.

    Parameters
    ----------
    grey : ndarray of uint8, shape (rows, columns)
        As decoded, not turned.
    unit_rows : int
        Height of a coded row in pixels.
    level : float
        Grey levels by which the means of blocks differ at least (:class:`raysplay.infer.films.jpeg.JpegFrame`).

    Returns
    -------
    bool
        False, too, of a picture too small to tell: below three coded rows, or ``_FEWEST`` blocks across.
    """
    if grey.shape[0] < 3 * unit_rows or grey.shape[1] < _FEWEST * BLOCK:
        return False
    borders = _borders(grey, unit_rows)
    after = borders.next()
    smallest = _smallest(borders, level)
    blocks = borders.step.shape[1]
    # The corner is found in two passes: roughly for all borders, then exactly for those that may have one.
    for column in sorted({blocks * quarter // 4 for quarter in range(4)}):
        rough = borders.joined(after, column)
        middle = _middle_step(rough)
        for steps in (middle, np.full_like(middle, -np.inf), np.full_like(middle, np.inf)):
            known = np.count_nonzero(~np.isnan(rough.step), axis=1)
            shown = np.count_nonzero(rough.shows(steps), axis=1)
            likely = (known >= _FEWEST) & (shown >= 0.4 * known) & (np.abs(steps) >= smallest)
            for k in np.flatnonzero(likely):
                if _steps_at(borders.only(int(k)), after.only(int(k)), float(steps[k])):
                    return True
    return False


def _borders(grey: npt.NDArray[np.uint8], unit_rows: int) -> _Borders:
    rows = np.arange(unit_rows, grey.shape[0] - 1, unit_rows)
    blocks = grey.shape[1] // BLOCK

    def row(offset: int) -> npt.NDArray[np.uint8]:
        return grey[rows + offset, : blocks * BLOCK].reshape(len(rows), blocks, BLOCK)

    pixels = [row(offset) for offset in (-2, -1, 0, 1)]
    before, above, below, beyond = (np.asarray(one.mean(axis=2, dtype=np.float32)) for one in pixels)
    lowest = np.minimum(pixels[2], pixels[3]).min(axis=2)
    highest = np.maximum(pixels[2], pixels[3]).max(axis=2)
    step = below - above - ((above - before) + (beyond - below)) / 2
    step[(lowest < _BLACK) | (highest > _WHITE)] = np.nan
    step[(highest <= _BLACK) & (above > _BLACK + _CUT)] = -np.inf
    step[(lowest >= _WHITE) & (above < _WHITE - _CUT)] = np.inf
    return _Borders(above, below, step)


def _middle_step(borders: _Borders) -> FloatArray:
    """Median of the finite steps of every border, 0 where they are too few, shape (K,)."""
    finite = np.isfinite(borders.step)
    count = np.count_nonzero(finite, axis=1)
    ordered = np.sort(np.where(finite, borders.step, np.nan), axis=1)  # nan comes last
    middle = ordered[np.arange(len(ordered)), np.maximum(count - 1, 0) // 2]
    return np.asarray(np.where(count >= _FEWEST, middle, 0.0), dtype=np.float32)


def _smallest(borders: _Borders, level: float) -> float:
    """The smallest step that counts on this film."""
    others = np.sort(np.abs(_middle_step(borders)))[::-1]
    usual = others[min(len(others) - 1, max(4, len(others) // 20))]
    return float(max(_STEP, _LEVELS * level, _USUAL * usual))


def _steps_at(border: _Borders, after: _Borders, step: float) -> bool:
    """Whether this border and the one after it step so, joined at the column that suits best."""
    steps = np.array([step])
    here, there = border.shows(steps)[0], after.shows(steps)[0]
    known_here, known_there = ~np.isnan(border.step[0]), ~np.isnan(after.step[0])
    shown = _from(here) + _until(there)
    known = _from(known_here) + _until(known_there)
    column = int(np.argmax(2 * shown - known))
    if shown[column] < _FEWEST or shown[column] < _SHARE * known[column]:
        return False
    if np.isinf(step):
        # Of all that was neither black nor white above the row. The edge of an exposed field runs through rows aslant.
        above = border.above[0]
        content = above > _BLACK + _CUT if step < 0 else above < _WHITE - _CUT
        before, onward = there[:column] & content[:column], here[column:] & content[column:]
        cut = np.count_nonzero(before) + np.count_nonzero(onward)
        each = min(np.count_nonzero(before), np.count_nonzero(onward))
        return bool(each >= _EACH_SIDE and cut >= _SHARE * np.count_nonzero(content))
    both = border.joined(after, column)
    used = both.shows(steps)[0] & np.isfinite(both.step[0])
    above, below = both.above[0, used], both.below[0, used]
    if len(above) < 3 or min(above.std(), below.std()) < _CONTRAST:
        return False
    return bool(np.corrcoef(above, below)[0, 1] >= _CORRELATION)


def _from(mask: Mask) -> npt.NDArray[np.int64]:
    """How many are set from each place on, shape (B + 1,)."""
    return np.append(np.cumsum(mask[::-1])[::-1], 0)


def _until(mask: Mask) -> npt.NDArray[np.int64]:
    """How many are set before each place, shape (B + 1,)."""
    return np.append(0, np.cumsum(mask))

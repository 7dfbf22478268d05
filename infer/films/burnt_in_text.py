"""Finds writing that is burnt into a film: names, numbers, dates of the patient or the site.

Printed characters are strokes of about one grey with edges of a pixel or two, of one height, side by side. Of what
looks so, lines of two characters or more are taken for writing; a character by itself is left, since it may be a side
marker.
Deterministic, by arithmetic of pixels alone; what it finds and what it misses stands in ``infer/films/GUIDE.md``.

It lowers the risk that a picture names a person. It is no de-identification (DICOM PS3.15, annex E, Clean Pixel Data
Option), which needs a person's eye.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from raysplay.infer.films.film import Film, FoundWriting
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.films.squares import extreme, opened

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

Grey = npt.NDArray[np.uint8]
Marked = npt.NDArray[np.bool_]
Boxes = npt.NDArray[np.int64]
Numbers = npt.NDArray[np.signedinteger[Any]]

FOUND = Remark(RemarkKind.BURNT_IN_TEXT, "writing is burnt into the film, overlays hide what was found of it")
STATED = Remark(RemarkKind.BURNT_IN_TEXT, "the file says that writing is burnt into the film (Burned In Annotation)")
NOT_FOUND = Remark(
    RemarkKind.BURNT_IN_TEXT,
    "no writing was found on the film, though the file says so: look before you hand a picture on",
)

_STEP, _PRINTED, _STATED = 30, 60, 40
"""Grey levels of 255 by which a stroke is looked for; by which printed ink differs from what is round it; by which it
may differ where the file says that there is some."""
_TILE = 16
_TILE_EDGES = 5
_SCALES, _LARGE = (1, 2, 4), 1800
"""Of which the first is left out for a quick look at films whose longer side has so many pixels."""
_HAT = 9
"""Widest stroke and a bit, in pixels of a scale."""
_FEWEST_PIXELS = 6
"""Of a character."""
_LEAST, _MOST, _LONGEST = 5, 30, 40
"""Height of a character in pixels of a scale; width of several that touch, in heights."""
_TALLEST = 0.05
"""Of a character, as part of the film's longer side: what is taller is a bone, or a side marker."""
_EDGE, _SHARP = 0.55, 0.7
"""A sharp edge takes this part of a stroke's step within two pixels; share of a character's outline that is one."""
_EXTREME, _SHARP_EXTREME = 4, 0.85
"""Grey levels from black or white that printed ink may have; over bone its outline must be this sharp."""
_FLAT = 7.0
"""Spread of grey round a character that is printed beside the foot, in levels."""
_FEWEST_FAINT = 4
"""Characters of a line that is hardly lighter than the bone that it lies over."""
_ONE_WIDE, _NARROW = 1.4, 0.7
"""Widest character, in heights: what is wider is several that touch, each at least so wide."""
_WORD_GAP = 2.0
"""Widest gap between words of a line, in heights."""
_FEWEST, _FEWEST_DOWN = 2, 4
"""Characters of a line that runs along rows, and along columns, where a side marker may stand above a word."""
_ONE_GREY = 14.0
"""Grey levels by which characters of a line may differ (standard deviation)."""
_GRAIN = 3.0
"""Strokes stand out by so many times what half of the pixels round them do, else they may be grain."""
_ALIGNED = 0.15
"""Part of the height by which feet, or heads, of most characters of a line may differ."""
_TURNED = [1, 0, 3, 2]
"""Where a box has left, top, right and bottom, seen with rows for columns."""
_AT_ONCE = 512
"""Parts held against all others at once; bounds memory."""


@dataclass(frozen=True)
class _Part:
    """A character, or several that touch; a box in pixels of the film, ``drawn`` its strokes in those of a scale."""

    left: int
    top: int
    right: int
    bottom: int
    step: float
    sharp: float
    ink: float
    drawn: Marked

    def turned(self) -> _Part:
        """The same with rows for columns."""
        box = {"left": self.top, "top": self.left, "right": self.bottom, "bottom": self.right}
        return replace(self, **box, drawn=self.drawn.T)

    @property
    def height(self) -> int:
        return self.bottom - self.top

    @property
    def width(self) -> int:
        return self.right - self.left

    @property
    def characters(self) -> float:
        """How many it may be: one, or by width and strokes where several touch."""
        height, width = self.drawn.shape
        if width <= _ONE_WIDE * height:
            return 1.0
        begun = self.drawn[:, 0] + (self.drawn[:, 1:] & ~self.drawn[:, :-1]).sum(1)
        # The third quartile, between neighbours as numpy.percentile has it, which takes many times as long.
        place = 0.75 * (height - 1)
        low, high = np.sort(begun)[[int(place), int(np.ceil(place))]].tolist()
        return float(min(width / (_NARROW * height), (low + (high - low) * (place % 1)) / 1.6))


@dataclass(frozen=True)
class _Strokes:
    """What is narrow and lighter than its ground, on a film at one scale or on its negative.

    ``hat`` (H, W) says by how much.
    """

    bright: bool
    shown: Grey
    hat: Grey

    @classmethod
    def on(cls, grey: Grey, *, bright: bool) -> _Strokes:
        shown = grey if bright else 255 - grey
        return cls(bright, shown, shown - opened(shown, _HAT))

    @cached_property
    def labelled(self) -> npt.NDArray[np.int32]:
        """Shape (H, W): what hangs together, numbered from 1 on; 0 elsewhere."""
        labelled: npt.NDArray[np.int32] = ndimage.label(self.hat > _STEP, np.ones((3, 3)))[0]
        return labelled

    def clear(self, printed: int) -> Marked:
        """Pixels (H, W) that stand out by so much, or are as good as white: each character has one at least."""
        return (self.hat >= printed) | ((self.hat > _STEP) & (self.shown >= 255 - _EXTREME))


@dataclass(frozen=True)
class _Candidates:
    """What may be characters: their numbers (N,) among the strokes, and of each what :class:`_Part` has.

    ``boxes`` (N, 4) are left, top, right and bottom in pixels of the scale; ``white`` marks what is as good as white
    and sharp.
    """

    numbers: npt.NDArray[np.int64]
    boxes: Boxes
    step: npt.NDArray[np.float64]
    sharp: npt.NDArray[np.float64]
    ink: npt.NDArray[np.float64]
    white: Marked

    def those(self, chosen: Marked) -> _Candidates:
        return _Candidates(*(getattr(self, one.name)[chosen] for one in fields(self)))


def text_boxes(pixels: npt.NDArray[np.floating], *, stated: bool = False, thorough: bool = True) -> Boxes:
    """Where writing stands.

    Parameters
    ----------
    pixels : ndarray, shape (H, W)
        Grey values 0 to 1.
    stated : bool
        Whether the file says that there is some: fainter writing is looked for, too.
    thorough : bool
        Whether the smallest writing is looked for on large films, too, which takes three times as long.

    Returns
    -------
    ndarray of int, shape (N, 4)
        Left, top, right and bottom of every line of writing, right and bottom exclusive, with a margin round it.
    """
    grey = (np.clip(pixels, 0.0, 1.0) * np.float32(255.0)).astype(np.uint8)
    rows, columns = grey.shape
    found = set()
    scales = _SCALES if thorough or max(grey.shape) < _LARGE else _SCALES[1:]
    for left, top, right, bottom in _lines(grey, _STATED if stated else _PRINTED, scales):
        margin = max(2, round(0.35 * min(bottom - top, right - left)))
        box = max(left - margin, 0), max(top - margin, 0), min(right + margin, columns), min(bottom + margin, rows)
        found.add(box)
    return _closest(np.array(sorted(found), dtype=np.int64).reshape(-1, 4))


def _closest(boxes: Boxes) -> Boxes:
    """Without boxes that lie round another one of their width and are much higher: that one is of gaps between letters,
    and may run over a side marker above the word."""
    left, top, right, bottom = (boxes[:, None, i] for i in range(4))
    wide, high = right - left, bottom - top
    across = np.minimum(right, boxes[:, 2]) - np.maximum(left, boxes[:, 0])
    down = np.minimum(bottom, boxes[:, 3]) - np.maximum(top, boxes[:, 1])
    covered = np.clip(across, 0, None) * np.clip(down, 0, None) >= 0.9 * (wide * high).T
    round_it = covered & (0.9 * wide <= wide.T) & (high > 1.4 * high.T)
    kept: Boxes = boxes[~round_it.any(axis=1)]
    return kept


def stated_by(ds: Dataset) -> tuple[Remark, ...]:
    """Whether a file says that writing is burnt into its picture: Burned In Annotation (0028,0301), PS3.3, C.7.6.3."""
    try:
        said = str(ds.get("BurnedInAnnotation") or "").strip().upper()
    except Exception:  # an attribute that cannot be read says nothing
        return ()
    return (STATED,) if said == "YES" else ()


def looked_through(film: Film) -> Film:
    """The film with what a quick look at the picture adds to its remarks.

    Where the look was as thorough as pictures need, the film keeps where writing stands, so that nobody looks twice.
    """
    stated = STATED in film.remarks
    boxes = text_boxes(film.pixels, stated=stated, thorough=stated)
    remarks = (FOUND,) if len(boxes) else (NOT_FOUND,) if stated else ()
    thorough = stated or max(film.pixels.shape) < _LARGE
    found = FoundWriting(film.pixels, boxes) if thorough else None
    return replace(film, remarks=(*film.remarks, *remarks), found_writing=found)


def without_text(
    picture: Grey, film: Film, place: Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]
) -> Grey:
    """A picture of a film with hatched grey where writing stands, so that nobody takes the place for film.

    Only films whose remarks say that there is some are looked through; the film's own pixels stay as they are.

    Parameters
    ----------
    picture : ndarray of uint8, shape (H, W)
    film : Film
    place : callable
        Maps points (N, 2) of the film, x and y with pixel centres at integers, to the picture, whose corner is 0.

    Returns
    -------
    ndarray of uint8, shape (H, W)
    """
    if not any(remark.kind is RemarkKind.BURNT_IN_TEXT for remark in film.remarks):
        return picture
    shown = picture.copy()
    for left, top, right, bottom in film.writing:
        corners = place(np.array([[left - 0.5, top - 0.5], [right - 0.5, bottom - 0.5]]))
        (x0, y0), (x1, y1) = np.floor(corners.min(0)), np.ceil(corners.max(0))
        ends = zip((int(y0), int(x0)), (int(y1), int(x1)), shown.shape, strict=True)
        part = tuple(slice(max(first, 0), min(max(last, 0), side)) for first, last, side in ends)
        rows, columns = np.ogrid[part]
        shown[part] = np.where((rows + columns) % 8 < 4, 88, 120)
    return shown


def _lines(grey: Grey, printed: int, scales: tuple[int, ...]) -> Iterator[tuple[int, int, int, int]]:
    """Boxes of writing, along rows and along columns."""
    change = _change(grey)
    tallest = _TALLEST * max(grey.shape)
    for rows, columns in _regions(change > _STEP):
        for scale in scales:
            shape = rows.stop - rows.start, columns.stop - columns.start
            if min(shape) < _LEAST * scale or tallest < _LEAST * scale:
                break
            part, part_change = _reduced(grey[rows, columns], change[rows, columns], scale)
            heights = _LEAST * scale, min(_MOST * scale, tallest)
            strokes = [_Strokes.on(part, bright=bright) for bright in (True, False)]
            sure = [one for drawn in strokes for one in _parts(drawn, part_change, scale, printed, heights)]
            faint: list[_Candidates] | None = None
            for down, fewest in ((False, _FEWEST), (True, _FEWEST_DOWN)):
                for line in _in_lines(_of_height(sure, heights, down=down), fewest, printed):
                    if faint is None:
                        faint = [_above_grain(_candidates(drawn, part_change), drawn.hat) for drawn in strokes]
                    left, top, right, bottom = _with_neighbours(line, *_near(faint, scale, 2 * heights[1], down=down))
                    if down:
                        left, top, right, bottom = top, left, bottom, right
                    yield columns.start + left, rows.start + top, columns.start + right, rows.start + bottom


def _of_height(parts: list[_Part], heights: tuple[float, float], *, down: bool) -> list[_Part]:
    """Parts whose height is within limits; those of a line that runs down turned to run along a row."""
    turned = [one.turned() for one in parts] if down else parts
    boxes = np.array([(one.left, one.top, one.right, one.bottom) for one in turned], dtype=np.int64).reshape(-1, 4)
    return [turned[i] for i in np.flatnonzero(_as_tall(boxes, heights))]


def _as_tall(boxes: Boxes, heights: tuple[float, float]) -> Marked:
    """Which boxes (N, 4) have a height within limits, and a width that characters that touch may have."""
    wide, tall = (boxes[:, 2:] - boxes[:, :2]).T
    within: Marked = (heights[0] <= tall) & (tall <= heights[1]) & (wide <= _LONGEST * tall)
    return within


def _near(faint: list[_Candidates], scale: int, tallest: float, *, down: bool) -> tuple[Boxes, npt.NDArray[np.float64]]:
    """Boxes (N, 4) in pixels of the film and greys (N,) of what may belong to a line."""
    boxes = scale * np.concatenate([one.boxes for one in faint])
    if down:
        boxes = boxes[:, _TURNED]
    within = _as_tall(boxes, (2, tallest))
    return boxes[within], np.concatenate([one.ink for one in faint])[within]


def _reduced(grey: Grey, change: Grey, scale: int) -> tuple[Grey, Grey]:
    """Means of grey, and the largest change, over squares of ``scale`` pixels."""
    if scale == 1:
        return grey, change
    rows, columns = (side // scale * scale for side in grey.shape)
    offsets = [(i, j) for i in range(scale) for j in range(scale)]
    total = np.add.reduce([grey[i:rows:scale, j:columns:scale] for i, j in offsets], dtype=np.uint16)
    return (
        (total // scale**2).astype(np.uint8),
        np.maximum.reduce([change[i:rows:scale, j:columns:scale] for i, j in offsets]),
    )


def _change(grey: Grey) -> Grey:
    """Change of grey over two pixels, the larger of both directions."""
    change = np.zeros(grey.shape, dtype=np.uint8)
    change[:, 1:-1] = _apart(grey[:, 2:], grey[:, :-2])
    change[1:-1] = np.maximum(change[1:-1], _apart(grey[2:], grey[:-2]))
    return change


def _apart(one: Grey, other: Grey) -> Grey:
    """Absolute difference, which fits into the type of both."""
    apart: Grey = np.maximum(one, other) - np.minimum(one, other)
    return apart


def _regions(edges: Marked) -> Iterator[tuple[slice, slice]]:
    """Parts of the film with many edges."""
    rows, columns = (-(-side // _TILE) for side in edges.shape)
    padded = np.zeros((rows * _TILE, columns * _TILE), dtype=np.bool_)
    padded[: edges.shape[0], : edges.shape[1]] = edges
    down = padded.reshape(rows, _TILE, -1).sum(1, dtype=np.uint8)
    tiles = down.reshape(rows, columns, _TILE).sum(2) >= _TILE_EDGES
    labelled, _ = ndimage.label(ndimage.binary_dilation(tiles, np.ones((3, 3))), np.ones((3, 3)))
    for found in ndimage.find_objects(labelled):
        down, across = found
        yield (
            slice(down.start * _TILE, min(down.stop * _TILE, edges.shape[0])),
            slice(across.start * _TILE, min(across.stop * _TILE, edges.shape[1])),
        )


def _parts(strokes: _Strokes, change: Grey, scale: int, printed: int, heights: tuple[float, float]) -> Iterator[_Part]:
    """What looks like a printed character, or several that touch, and can be part of a line.

    ``heights`` are those of a line, in pixels of the film.
    """
    clear = strokes.clear(printed)
    if not clear.any():
        return
    found = _candidates(strokes, change, clear)
    found = found.those(found.white | (found.step >= printed))
    boxes = scale * found.boxes
    may_read = _may_read(boxes, found, heights, _FEWEST)
    may_read |= _may_read(boxes[:, _TURNED], found, heights, _FEWEST_DOWN)
    found = _above_grain(found.those(may_read), strokes.hat)
    for i, number in enumerate(found.numbers.tolist()):
        left, top, right, bottom = found.boxes[i].tolist()
        place, step = (slice(top, bottom), slice(left, right)), float(found.step[i])
        if found.white[i] or _on_plain_ground(strokes, number, place, step):
            yield _Part(
                scale * left,
                scale * top,
                scale * right,
                scale * bottom,
                step,
                float(found.sharp[i]),
                float(found.ink[i]),
                strokes.labelled[place] == number,
            )


def _may_read(boxes: Boxes, found: _Candidates, heights: tuple[float, float], fewest: int) -> Marked:
    """Which candidates (N,), of boxes (N, 4) in pixels of the film, can be part of a line along rows.

    By what :func:`_reads` asks of it, were each of them as many characters as its width has room for.
    """
    wide, tall = (boxes[:, 2:] - boxes[:, :2]).T
    fit = np.flatnonzero(_as_tall(boxes, heights))
    group = _groups(boxes[fit], found.ink[fit])
    most = np.bincount(group, np.where(wide > _ONE_WIDE * tall, wide / (_NARROW * tall), 1.0)[fit])
    reads = most >= max(fewest, 3)
    for few in np.flatnonzero((most >= fewest) & (most < 3)):
        these = fit[group == few]
        reads[few] = _beyond_doubt(found.sharp[these], found.step[these], tall[these])
    may = np.zeros(len(boxes), dtype=np.bool_)
    may[fit] = reads[group]
    return may


def _candidates(strokes: _Strokes, change: Grey, clear: Marked | None = None) -> _Candidates:
    """What may be printed characters by shape and outline; only what has one of the pixels ``clear``, if given."""
    labelled, drawn = strokes.labelled, strokes.hat > _STEP
    # Of all that follows only pixels of strokes have part, which are few; grain has a part for every few of them.
    place: Numbers = np.flatnonzero(drawn)
    of: Numbers = labelled.ravel()[place] - 1
    areas = np.bincount(of)
    likely = areas >= _FEWEST_PIXELS
    if clear is not None:
        has_one = np.zeros(len(areas), dtype=np.bool_)
        has_one[of[clear.ravel()[place]]] = True
        likely &= has_one
    numbers, areas = np.flatnonzero(likely), areas[likely]
    of, place = _of_those(likely, of, place)
    rows, columns = np.divmod(place, labelled.shape[1])
    boxes = _boxes(rows, columns, of, len(numbers))
    wide, tall = (boxes[:, 2:] - boxes[:, :2]).T
    filled = areas / (wide * tall)
    shaped = (np.minimum(wide, tall) <= _MOST) & (np.maximum(wide, tall) >= _LEAST)
    shaped &= (filled >= 0.12) & (filled <= 0.95)
    numbers, boxes, areas = numbers[shaped], boxes[shaped], areas[shaped]
    of, rows, columns = _of_those(shaped, of, rows, columns)
    step = _percentiles(strokes.hat[rows, columns], of, areas, 75)
    level = _percentiles(strokes.shown[rows, columns], of, areas, 85)
    outline = _on_outline(drawn, rows, columns)
    of, rows, columns = of[outline], rows[outline], columns[outline]
    edge = _largest_round(change, rows, columns) >= _EDGE * step[of]
    sharp = np.bincount(of, edge, len(numbers)) / np.bincount(of, minlength=len(numbers))
    white = (level >= 255 - _EXTREME) & (sharp >= _SHARP_EXTREME)
    found = _Candidates(numbers + 1, boxes, step, sharp, level if strokes.bright else -level, white)
    return found.those(sharp >= _SHARP)


def _above_grain(found: _Candidates, hat: Grey) -> _Candidates:
    """Those that stand out by more than the grain round them."""
    if not len(found.numbers):
        return found
    middle = (found.boxes[:, :2] + found.boxes[:, 2:]) // 2 // _TILE
    return found.those(found.step >= _GRAIN * _grain(hat, middle[:, 1], middle[:, 0]))


def _grain(hat: Grey, down: Numbers, across: Numbers) -> Grey:
    """By how much half of the pixels stand out round tiles (N,): next to nothing round print, much in grain.

    The third lowest of nine tiles, so that characters beside do not count.
    """
    rows, columns = (max(side // _TILE, 1) for side in hat.shape)
    some = hat[: rows * _TILE : 2, : columns * _TILE : 2]
    high, wide = some.shape[0] // rows, some.shape[1] // columns
    tiles = some[: rows * high, : columns * wide].reshape(rows, high, columns, wide)
    near = np.array([(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1)]).T[:, None]
    i, j = (
        np.clip(np.minimum(one, count - 1)[:, None] + step, 0, count - 1)
        for one, count, step in zip((down, across), (rows, columns), near, strict=True)
    )
    half = high * wide // 2
    middle = np.partition(tiles[i, :, j].reshape(*i.shape, high * wide), half, axis=2)[:, :, half]
    grain: Grey = np.partition(middle, 2, axis=1)[:, 2]
    return grain


def _of_those(kept: Marked, of: Numbers, *of_pixels: Numbers) -> tuple[Numbers, ...]:
    """Pixels of the parts that are kept, the parts numbered anew: ``of``, and what else is known of each pixel."""
    pixels = kept[of]
    return (np.cumsum(kept) - 1)[of[pixels]], *(one[pixels] for one in of_pixels)


def _boxes(rows: Numbers, columns: Numbers, of: Numbers, count: int) -> Boxes:
    """Left, top, right and bottom of each of ``count`` parts by its pixels."""
    boxes = np.empty((count, 4), dtype=np.int64)
    boxes[:, :2], boxes[:, 2:] = np.iinfo(np.int64).max, 0
    for k, places in ((0, columns), (1, rows)):
        np.minimum.at(boxes[:, k], of, places)
        np.maximum.at(boxes[:, 2 + k], of, places + 1)
    return boxes


def _on_outline(drawn: Marked, rows: Numbers, columns: Numbers) -> Marked:
    """Which pixels of strokes have one beside them that is none, or lie at the picture's edge."""
    inner = (rows > 0) & (rows < drawn.shape[0] - 1) & (columns > 0) & (columns < drawn.shape[1] - 1)
    i, j = rows[inner], columns[inner]
    inner[inner] = drawn[i - 1, j] & drawn[i + 1, j] & drawn[i, j - 1] & drawn[i, j + 1]
    outline: Marked = ~inner
    return outline


def _largest_round(values: Grey, rows: Numbers, columns: Numbers) -> Grey:
    """The largest value within a pixel of each place."""
    down, across = (
        np.clip(places[:, None] + [-1, 0, 1], 0, side - 1)
        for places, side in zip((rows, columns), values.shape, strict=True)
    )
    largest: Grey = values[down[:, :, None], across[:, None, :]].max((1, 2), initial=0)
    return largest


def _percentiles(values: Grey, of: Numbers, areas: Numbers, percent: float) -> npt.NDArray[np.float64]:
    """A percentile of the values (N,) of each part, by linear interpolation; all parts at once."""
    ordered: npt.NDArray[np.int64] = np.sort((of.astype(np.int64) << 8) | values) & 255
    place = percent / 100.0 * (areas - 1)
    below = np.floor(place).astype(np.int64)
    first = np.cumsum(areas) - areas
    low = ordered[first + below]
    high = ordered[first + np.minimum(below + 1, areas - 1)]
    percentiles: npt.NDArray[np.float64] = low + (high - low) * (place - below)
    return percentiles


def _on_plain_ground(strokes: _Strokes, number: int, place: tuple[slice, slice], step: float) -> bool:
    """Whether what is round a character is of one grey: beside the foot, or in a printed box."""
    down, across = (slice(max(one.start - 3, 0), one.stop + 3) for one in place)
    labelled = strokes.labelled[down, across]
    near = extreme((labelled == number).view(np.uint8), 7, np.maximum)
    drawn = extreme((labelled > 0).view(np.uint8), 3, np.maximum)
    round_it = strokes.shown[down, across][near > drawn]
    return bool(round_it.size >= 8 and round_it.std() <= _FLAT + 0.04 * step)


def _in_lines(parts: list[_Part], fewest: int, printed: int) -> Iterator[list[_Part]]:
    """Parts that stand side by side at one height, two characters or more."""
    parts = sorted(parts, key=lambda one: (one.left, one.top))
    boxes = np.array([(one.left, one.top, one.right, one.bottom) for one in parts], dtype=np.int64).reshape(-1, 4)
    groups = _groups(boxes, np.array([one.ink for one in parts]))
    for group in np.unique(groups):
        line = [parts[i] for i in np.flatnonzero(groups == group)]
        if _reads(line, fewest, printed):
            yield line


def _groups(boxes: Boxes, ink: npt.NDArray[np.float64]) -> Numbers:
    """For each part, of boxes (N, 4) and grey (N,), the number of the group of neighbours that it belongs to."""
    group = list(range(len(boxes)))

    def root(i: int) -> int:
        while group[i] != i:
            group[i] = group[group[i]]
            i = group[i]
        return i

    for i, j in _beside(boxes, ink).tolist():
        group[root(j)] = root(i)
    return np.array([root(i) for i in range(len(boxes))], dtype=np.int64)


def _beside(boxes: Boxes, ink: npt.NDArray[np.float64]) -> Numbers:
    """Pairs (K, 2) of parts, of boxes (N, 4) and grey (N,), that may be neighbours in a line; the left one first."""
    left, top, right, bottom = boxes.T
    wide, tall = right - left, bottom - top
    pairs = [np.empty((0, 2), dtype=np.int64)]
    for first in range(0, len(boxes), _AT_ONCE):
        one = slice(first, first + _AT_ONCE), None
        taller, lower = np.maximum(tall[one], tall), np.minimum(tall[one], tall)
        beside = (left >= left[one] + 0.3 * wide[one]) & (left - right[one] <= 1.2 * taller)
        beside &= np.minimum(bottom[one], bottom) - np.maximum(top[one], top) >= 0.6 * lower
        beside &= (lower >= 0.5 * taller) & (np.abs(ink[one] - ink) <= 3 * _ONE_GREY)
        pairs.append(np.argwhere(beside) + np.array([first, 0]))
    return np.concatenate(pairs)


def _with_neighbours(line: list[_Part], faint: Boxes, faint_ink: npt.NDArray[np.float64]) -> tuple[int, int, int, int]:
    """Box of a line with what stands beside its characters and looks like them: the rest of it may lie over bone.

    ``faint`` (N, 4) holds left, top, right and bottom of what may be a character, ``faint_ink`` (N,) its grey.
    """
    left, top = min(one.left for one in line), min(one.top for one in line)
    right, bottom = max(one.right for one in line), max(one.bottom for one in line)
    height = float(np.median([one.height for one in line]))
    ink = float(np.median([one.ink for one in line]))
    tall = faint[:, 3] - faint[:, 1]
    alike = faint[(np.abs(faint_ink - ink) <= 2 * _ONE_GREY) & (0.25 * height <= tall) & (tall <= 1.6 * height)]
    while True:
        beside = (
            (alike[:, 2] >= left - _WORD_GAP * height)
            & (alike[:, 0] <= right + _WORD_GAP * height)
            & (np.minimum(alike[:, 3], bottom) - np.maximum(alike[:, 1], top) >= 0.6 * (alike[:, 3] - alike[:, 1]))
        )
        if not beside.any():
            return left, top, right, bottom
        found, alike = alike[beside], alike[~beside]
        left, top = min(left, int(found[:, 0].min())), min(top, int(found[:, 1].min()))
        right, bottom = max(right, int(found[:, 2].max())), max(bottom, int(found[:, 3].max()))


def _reads(line: list[_Part], fewest: int, printed: int) -> bool:
    """Whether a line is writing: characters enough, or two that are beyond doubt."""
    characters = sum(one.characters for one in line)
    if characters < fewest:
        return False
    step = np.array([one.step for one in line])
    if np.std([one.ink for one in line]) > _ONE_GREY:
        return False
    if np.median(step) < printed and characters < _FEWEST_FAINT:
        return False
    if characters >= 3:
        return len(line) < 3 or _aligned(line)
    sharp, heights = np.array([one.sharp for one in line]), np.array([one.height for one in line])
    return characters >= 2 and _beyond_doubt(sharp, step, heights)


def _beyond_doubt(
    sharp: npt.NDArray[np.float64], step: npt.NDArray[np.float64], heights: npt.NDArray[np.int64]
) -> bool:
    """Whether even two characters are writing."""
    clear = sharp.mean() > 0.9 and np.median(step) > 100
    return bool(clear and heights.max() <= 1.3 * heights.min())


def _aligned(line: list[_Part]) -> bool:
    """Whether most characters stand on one line, or hang from one: small letters, hyphens and points do not both."""
    height = float(np.median([one.height for one in line]))
    ends = np.array([(one.top, one.bottom) for one in line], dtype=float)
    off = np.abs(ends - np.median(ends, axis=0)) <= max(_ALIGNED * height, 1.0)
    return bool(off.mean(axis=0).max() >= 0.6)

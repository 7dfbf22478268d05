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
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset
from scipy import ndimage

from raysplay.infer.films.film import Film, FoundWriting
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.films.squares import extreme, opened

Grey = npt.NDArray[np.uint8]
Marked = npt.NDArray[np.bool_]
Boxes = npt.NDArray[np.int64]

FOUND = Remark(RemarkKind.BURNT_IN_TEXT, "writing is burnt into the film; overlays hide what was found of it")
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


@dataclass(frozen=True)
class _Part:
    """A character, or several that touch; a box in pixels of the film."""

    left: int
    top: int
    right: int
    bottom: int
    characters: float
    characters_down: float
    step: float
    sharp: float
    ink: float

    def turned(self) -> _Part:
        """The same with rows for columns."""
        box = {"left": self.top, "top": self.left, "right": self.bottom, "bottom": self.right}
        return replace(self, **box, characters=self.characters_down, characters_down=self.characters)

    @property
    def height(self) -> int:
        return self.bottom - self.top

    @property
    def width(self) -> int:
        return self.right - self.left


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
    rows, columns = np.ogrid[: picture.shape[0], : picture.shape[1]]
    hatched = np.where((rows + columns) % 8 < 4, 88, 120).astype(np.uint8)
    shown = picture.copy()
    for left, top, right, bottom in film.writing:
        corners = place(np.array([[left - 0.5, top - 0.5], [right - 0.5, bottom - 0.5]]))
        (x0, y0), (x1, y1) = np.floor(corners.min(0)), np.ceil(corners.max(0))
        part = slice(max(int(y0), 0), max(int(y1), 0)), slice(max(int(x0), 0), max(int(x1), 0))
        shown[part] = hatched[part]
    return shown


def _lines(grey: Grey, printed: int, scales: tuple[int, ...]) -> Iterator[tuple[int, int, int, int]]:
    """Boxes of writing, along rows and along columns."""
    change = _change(grey)
    tallest = _TALLEST * max(grey.shape)
    for rows, columns in _regions(change > _STEP):
        part, part_change = grey[rows, columns], change[rows, columns]
        for scale in scales:
            if min(part.shape) < _LEAST * scale or tallest < _LEAST * scale:
                break
            heights = _LEAST * scale, min(_MOST * scale, tallest)
            sure = list(_parts(part, part_change, scale, printed))
            faint: list[_Part] | None = None
            for down, fewest in ((False, _FEWEST), (True, _FEWEST_DOWN)):
                near: tuple[Boxes, npt.NDArray[np.float64]] | None = None
                for line in _in_lines(_of_height(sure, heights, down=down), fewest, printed):
                    if faint is None:
                        faint = list(_parts(part, part_change, scale, printed, faint=True))
                    if near is None:
                        beside = _of_height(faint, (2, 2 * heights[1]), down=down)
                        boxes = [(one.left, one.top, one.right, one.bottom) for one in beside]
                        near = np.array(boxes, dtype=np.int64).reshape(-1, 4), np.array([one.ink for one in beside])
                    left, top, right, bottom = _with_neighbours(line, *near)
                    if down:
                        left, top, right, bottom = top, left, bottom, right
                    yield columns.start + left, rows.start + top, columns.start + right, rows.start + bottom


def _of_height(parts: list[_Part], heights: tuple[float, float], *, down: bool) -> list[_Part]:
    """Parts whose height is within limits; those of a line that runs down turned to run along a row."""
    turned = [one.turned() for one in parts] if down else parts
    return [one for one in turned if heights[0] <= one.height <= heights[1] and one.width <= _LONGEST * one.height]


def _change(grey: Grey) -> Grey:
    """Change of grey over two pixels, the larger of both directions."""
    change = np.zeros(grey.shape, dtype=np.uint8)
    values = grey.astype(np.int16)
    change[:, 1:-1] = np.abs(values[:, 2:] - values[:, :-2])
    change[1:-1] = np.maximum(change[1:-1], np.abs(values[2:] - values[:-2]).astype(np.uint8))
    return change


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


def _parts(grey: Grey, change: Grey, scale: int, printed: int, *, faint: bool = False) -> Iterator[_Part]:
    """What looks like a printed character, or several that touch, on either ground.

    ``faint``: also what may be one only beside others, over bone.
    """
    if scale > 1:
        rows, columns = (side // scale * scale for side in grey.shape)
        offsets = [(i, j) for i in range(scale) for j in range(scale)]
        blocks = [grey[i:rows:scale, j:columns:scale] for i, j in offsets]
        grey = (np.add.reduce(blocks, dtype=np.uint16) // scale**2).astype(np.uint8)
        change = np.maximum.reduce([change[i:rows:scale, j:columns:scale] for i, j in offsets])
    near: Grey | None = None
    for bright in (True, False):
        shown = grey if bright else 255 - grey
        hat = shown - opened(shown, _HAT)
        strokes = hat > _STEP
        labelled, count = _likely(hat, shown, strokes, 0 if faint else printed)
        if not count:
            continue
        inked = labelled > 0
        of = labelled[inked] - 1
        areas = np.bincount(of)
        places = ndimage.find_objects(labelled)
        ends = np.array([[(one.start, one.stop) for one in place] for place in places])
        heights, widths = (ends[:, :, 1] - ends[:, :, 0]).T
        filled = areas / (heights * widths)
        worth = (np.minimum(heights, widths) <= _MOST) & (np.maximum(heights, widths) >= _LEAST)
        worth &= (filled >= 0.12) & (filled <= 0.95)
        if not worth.any():
            continue
        if near is None:
            near = extreme(change, 3, np.maximum)
        steps = _percentiles(hat[inked], of, areas, 75)
        outline = inked & ~_inner(inked)
        part = labelled[outline] - 1
        sharp = np.bincount(part, near[outline] >= _EDGE * steps[part]) / np.bincount(part)
        levels = _percentiles(shown[inked], of, areas, 85)
        sure = (levels >= 255 - _EXTREME) & (sharp >= _SHARP_EXTREME)
        worth &= (sharp >= _SHARP) & (sure | faint | (steps >= printed))
        grain = _grain(hat)
        down, across = np.minimum(ends.sum(2) // 2 // _TILE, np.array(grain.shape) - 1).T
        worth &= steps >= _GRAIN * grain[down, across]
        for i in np.flatnonzero(worth).tolist():
            place, step, level = places[i], float(steps[i]), float(levels[i])
            if not (faint or sure[i] or _on_plain_ground(shown, strokes, labelled, i + 1, place, step)):
                continue
            ink = labelled[place] == i + 1
            (top, bottom), (left, right) = (ends[i] * scale).tolist()
            yield _Part(
                left,
                top,
                right,
                bottom,
                _characters(ink),
                _characters(ink.T),
                step,
                float(sharp[i]),
                level if bright else -level,
            )


def _likely(hat: Grey, shown: Grey, strokes: Marked, printed: int) -> tuple[npt.NDArray[np.int32], int]:
    """Parts of more than a few pixels, of which one at least stands out so much, or is white: labels and their number.

    Grain has a part for every few pixels, and telling where each lies would take seconds.
    """
    labelled, count = ndimage.label(strokes, np.ones((3, 3)))
    of = labelled[strokes] - 1
    likely = np.bincount(of, minlength=count) >= _FEWEST_PIXELS
    if printed:
        likely &= (_largest(hat[strokes], of, count) >= printed) | (
            _largest(shown[strokes], of, count) >= 255 - _EXTREME
        )
    renumbered = np.zeros(count + 1, dtype=np.int32)
    renumbered[1:][likely] = np.arange(1, likely.sum() + 1)
    return renumbered[labelled], int(likely.sum())


def _grain(hat: Grey) -> Grey:
    """By how much half of the pixels stand out, tile by tile: next to nothing round print, much in grain."""
    rows, columns = (max(side // _TILE, 1) for side in hat.shape)
    some = hat[: rows * _TILE : 2, : columns * _TILE : 2]
    high, wide = some.shape[0] // rows, some.shape[1] // columns
    tiles = some[: rows * high, : columns * wide].reshape(rows, high, columns, wide).transpose(0, 2, 1, 3)
    middle = np.partition(tiles.reshape(rows, columns, -1), high * wide // 2, axis=2)[:, :, high * wide // 2]
    grain: Grey = ndimage.percentile_filter(middle, 30, 3, mode="nearest")
    return grain


def _inner(strokes: Marked) -> Marked:
    """Pixels whose four neighbours belong to strokes, too."""
    padded = np.pad(strokes, 1)
    return padded[:-2, 1:-1] & padded[2:, 1:-1] & padded[1:-1, :-2] & padded[1:-1, 2:]


def _largest(values: Grey, of: npt.NDArray[np.int32], count: int) -> Grey:
    """Largest of the values (N,) of each of ``count`` parts, numbered from 0; without the sorting that scipy does."""
    largest = np.zeros(count, dtype=np.uint8)
    np.maximum.at(largest, of, values)
    return largest


def _percentiles(
    values: Grey, of: npt.NDArray[np.int32], areas: npt.NDArray[np.int64], percent: float
) -> npt.NDArray[np.float64]:
    """A percentile of the values (N,) of each part, by linear interpolation; all parts at once."""
    ordered: npt.NDArray[np.int64] = np.sort((of.astype(np.int64) << 8) | values) & 255
    place = percent / 100.0 * (areas - 1)
    below = np.floor(place).astype(np.int64)
    first = np.cumsum(areas) - areas
    low = ordered[first + below]
    high = ordered[first + np.minimum(below + 1, areas - 1)]
    percentiles: npt.NDArray[np.float64] = low + (high - low) * (place - below)
    return percentiles


def _on_plain_ground(
    shown: Grey, strokes: Marked, labelled: npt.NDArray[np.int32], number: int, place: tuple[slice, slice], step: float
) -> bool:
    """Whether what is round a character is of one grey: beside the foot, or in a printed box."""
    down, across = (slice(max(one.start - 3, 0), one.stop + 3) for one in place)
    ink = labelled[down, across] == number
    ring = ndimage.binary_dilation(ink, np.ones((3, 3)), iterations=3)
    ring &= ~ndimage.binary_dilation(strokes[down, across], np.ones((3, 3)))
    round_it = shown[down, across][ring]
    return bool(round_it.size >= 8 and round_it.std() <= _FLAT + 0.04 * step)


def _characters(ink: Marked) -> float:
    """How many characters a part may be: one, or by its width and strokes where several touch."""
    height, width = ink.shape
    if width <= 1.4 * height:
        return 1.0
    strokes = np.diff(np.pad(ink, ((0, 0), (1, 1))).astype(np.int8), axis=1) == 1
    return float(min(width / (0.7 * height), np.percentile(strokes.sum(1), 75) / 1.6))


def _in_lines(parts: list[_Part], fewest: int, printed: int) -> Iterator[list[_Part]]:
    """Parts that stand side by side at one height, two characters or more."""
    parts = sorted(parts, key=lambda one: (one.left, one.top))
    group = list(range(len(parts)))

    def root(i: int) -> int:
        while group[i] != i:
            group[i] = group[group[i]]
            i = group[i]
        return i

    for i, one in enumerate(parts):
        for j in range(i + 1, len(parts)):
            other = parts[j]
            tall, low = max(one.height, other.height), min(one.height, other.height)
            if other.left - one.right > 1.2 * tall:
                if other.left - one.right > 1.2 * _MOST * _SCALES[-1]:
                    break
                continue
            overlap = min(one.bottom, other.bottom) - max(one.top, other.top)
            alike = abs(one.ink - other.ink) <= 3 * _ONE_GREY
            if overlap >= 0.6 * low and low >= 0.5 * tall and alike and other.left >= one.left + 0.3 * one.width:
                group[root(j)] = root(i)
    lines: dict[int, list[_Part]] = {}
    for i, one in enumerate(parts):
        lines.setdefault(root(i), []).append(one)
    for line in lines.values():
        if _reads(line, fewest, printed):
            yield line


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
    sharp = float(np.mean([one.sharp for one in line]))
    heights = np.array([one.height for one in line])
    step = float(np.median([one.step for one in line]))
    if np.std([one.ink for one in line]) > _ONE_GREY or (step < printed and characters < _FEWEST_FAINT):
        return False
    if characters >= 3:
        return len(line) < 3 or _aligned(line)
    return characters >= 2 and sharp > 0.9 and step > 100 and bool(heights.max() <= 1.3 * heights.min())


def _aligned(line: list[_Part]) -> bool:
    """Whether most characters stand on one line, or hang from one: small letters, hyphens and points do not both."""
    height = float(np.median([one.height for one in line]))
    ends = np.array([(one.top, one.bottom) for one in line], dtype=float)
    off = np.abs(ends - np.median(ends, axis=0)) <= max(_ALIGNED * height, 1.0)
    return bool(off.mean(axis=0).max() >= 0.6)

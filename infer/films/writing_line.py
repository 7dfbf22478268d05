"""Straightens a line of writing and cuts it into what may be its characters."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from PIL import Image
from scipy import ndimage

from raysplay.infer.films.patch_network import PATCH
from raysplay.infer.films.squares import opened

Grey = npt.NDArray[np.uint8]
FloatArray = npt.NDArray[np.float32]
Box = tuple[int, int, int, int]
"""Left, top, right and bottom in pixels of the film, right and bottom exclusive."""

CAPITAL = 18
"""Height of a capital on a straightened line, in pixels."""

_ABOVE = (PATCH - CAPITAL) // 2
_HAT = 11
"""Widest stroke and a bit, in pixels of a straightened line."""
_MARGIN, _LEAST_MARGIN = 0.35, 2
"""That a box has round its line, in heights and in pixels (:func:`~.burnt_in_text.text_boxes`)."""
BEYOND = 2.0
"""How far past its box a line is looked at, in heights: what was not found of it may turn its sense."""
_FAINTEST, _INKED = 40, 0.5
"""Grey levels by which ink stands out at least; from which share of the ink's level on a pixel is inked."""
_SMALLEST = 3
"""Pixels of a dot."""
_FAINT, _FAINT_LEVELS, _HALO = 0.1, 12, 3
"""What is left of ink that can hardly be seen: its share of the line's level, its grey levels at least; how many pixels
round inked ones are theirs."""
_FAINT_TALL, _FAINT_MOST, _FAINT_AREA = 0.4, 1.4, 0.06
"""Height of such a rest, in heights, and its area, in their squares, from which on it may have been a character; what
is taller is an edge of bone."""
_TALL, _LONG = 1.6, 3.0
"""What is taller, in heights, is no character: the frame round a line if it is so long, else something in the way."""
_SPECK = 0.35
"""What lies past a box and is lower, in heights, is no character."""
_EVEN = 0.75, 1.25
"""Heights of capitals, in those of their line."""
_APART, _WAIST, _CUTS = 0.2, 0.45, 5
"""Of cuts through characters that touch: apart by so many heights, through so little ink, so many at most."""
WIDEST = 1.45
"""Of a character, in heights."""


@dataclass(frozen=True)
class Way:
    """How a line lies: along rows or ``down`` columns, read ``back``, from its far end, or ``over``, upside down."""

    down: bool
    back: bool
    over: bool

    @property
    def mirrored(self) -> bool:
        """Whether no turning makes it upright."""
        return (self.back != self.over) != self.down

    @property
    def upright(self) -> bool:
        """Whether it lies as it is read."""
        return not (self.down or self.back or self.over)

    def straight(self, crop: Grey) -> Grey:
        """The crop (H, W) of a film as it reads."""
        turned = crop.T if self.down else crop
        return turned[:: -1 if self.over else 1, :: -1 if self.back else 1]


@dataclass(frozen=True)
class Piece:
    """What may be a character, or several that touch.

    ``left`` and ``right`` are columns of the straightened line, ``patch`` (PATCH, PATCH) is what a network sees,
    ``group`` the number of what it is a piece of; ``inside`` the box that was looked for, not past it.
    """

    left: int
    right: int
    group: int
    inside: bool
    patch: FloatArray


@dataclass(frozen=True)
class Cut:
    """A straightened line, and groups of what hangs together on it or stands one over the other.

    ``hat`` (H, W) is by how much it stands out, ``level`` by how much its ink does, ``inked`` (H, W) where it is ink.
    ``grouped`` (H, W) has the number of each pixel's group, from 1 on, ``spans`` the columns where groups begin and
    end, ``tall`` their heights, ``blocked`` which cannot be read: too tall for characters, or so faint that nobody
    knows what they were. Capitals reach from row ``top`` on over ``CAPITAL`` rows; ``box`` are the columns between
    which writing was found, ``scale`` the pixels of the line for one of the film.
    """

    hat: Grey
    level: float
    inked: npt.NDArray[np.bool_]
    grouped: npt.NDArray[np.int32]
    top: int
    spans: tuple[tuple[int, int], ...]
    blocked: tuple[bool, ...]
    tall: tuple[int, ...]
    box: tuple[float, float]
    scale: float

    def piece(self, group: int, left: int | None = None, right: int | None = None) -> Piece:
        """A whole group, or its columns from ``left`` to ``right``."""
        first, last = self.spans[group]
        left, right = first if left is None else left, last if right is None else right
        whole = (left, right) == (first, last)
        around = slice(max(left - 1, 0), right + 1) if whole else slice(left, right)
        rows = slice(self.top - _ABOVE, self.top - _ABOVE + PATCH)
        ink = np.clip(self.hat[rows, around] / np.float32(self.level), 0, 1).astype(np.float32)
        ink = ink * _wider(self.grouped[rows, around] == group + 1)
        patch = np.zeros((PATCH, PATCH), dtype=np.float32)
        if ink.shape[1] <= PATCH:
            start = (PATCH - ink.shape[1]) // 2
            patch[:, start : start + ink.shape[1]] = ink
        inside = self.box[0] <= (left + right) / 2 <= self.box[1]
        return Piece(left, right, group, inside, patch)

    @property
    def inside(self) -> int:
        """How many groups lie in the box."""
        return sum(self.box[0] <= (left + right) / 2 <= self.box[1] for left, right in self.spans)

    @property
    def even(self) -> float:
        """Share of the groups in the box that are as tall as capitals: most in a line, few of what bone leaves."""
        tall = [
            tall / CAPITAL
            for (left, right), tall in zip(self.spans, self.tall, strict=True)
            if self.box[0] <= (left + right) / 2 <= self.box[1]
        ]
        return sum(_EVEN[0] <= one <= _EVEN[1] for one in tall) / max(len(tall), 1)

    def with_faint(self) -> Cut:
        """With what may be characters that can hardly be seen, as groups that are blocked."""
        faint = _faint(self.hat, self.inked, self.level, slice(self.top, self.top + CAPITAL))
        spans, blocked = (*self.spans, *faint), (*self.blocked, *(True for _ in faint))
        return replace(self, spans=spans, blocked=blocked, tall=(*self.tall, *(0 for _ in faint)))

    def cuts(self, group: int) -> list[int]:
        """Columns, ends included, between which a group may consist of several characters."""
        left, right = self.spans[group]
        inked = (self.grouped[:, left:right] == group + 1).sum(0)
        order = [int(x) for x in np.argsort(inked, kind="stable") if inked[x] <= _WAIST * CAPITAL]
        chosen: list[int] = []
        for x in order:
            ends = [0, right - left, *chosen]
            if len(chosen) < _CUTS and all(abs(x - end) >= _APART * CAPITAL for end in ends):
                chosen.append(x)
        return [left, *(left + x for x in sorted(chosen)), right]


def _wider(mine: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """With the four neighbours of every pixel."""
    wider = mine.copy()
    wider[1:] |= mine[:-1]
    wider[:-1] |= mine[1:]
    wider[:, 1:] |= mine[:, :-1]
    wider[:, :-1] |= mine[:, 1:]
    return wider


def height_of(box: Box) -> float:
    """Height of the line in a box of :func:`~.burnt_in_text.text_boxes`, without its margin."""
    low = min(box[2] - box[0], box[3] - box[1])
    return max(low / (1 + 2 * _MARGIN) if low > _LEAST_MARGIN * (2 + 1 / _MARGIN) else low - 2 * _LEAST_MARGIN, 1.0)


def cut(grey: Grey, box: Box, way: Way, *, bright: bool) -> Cut | None:
    """The characters of a line, cut apart.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
        A film.
    box : Box
        Of :func:`~.burnt_in_text.text_boxes`.
    way : Way
        How it is read.
    bright : bool
        Whether it is lighter than its ground, or darker.

    Returns
    -------
    Cut or None
        None if nothing stands out.
    """
    height = height_of(box)
    ends = slice(box[0], box[2]), slice(box[1], box[3])
    along = ends[1] if way.down else ends[0]
    length = grey.shape[0] if way.down else grey.shape[1]
    start, stop = max(0, int(along.start - BEYOND * height)), min(length, int(along.stop + BEYOND * height))
    crop = grey[start:stop, ends[0]] if way.down else grey[ends[1], start:stop]
    inside = along.start - start, along.stop - start
    straight = way.straight(crop)
    if way.back:
        inside = stop - start - inside[1], stop - start - inside[0]
    seen = straight if bright else 255 - straight
    scale = CAPITAL / height
    rows = (min(box[3] - box[1], box[2] - box[0]) - height) / 2, height
    for _ in range(2):
        found = _at_scale(np.ascontiguousarray(seen), scale, rows, inside)
        if found is None:
            return None
        made, first, last = found
        tall = (last - first) / scale
        if abs(last - first - CAPITAL) <= 1 or not 0.5 * height < tall < 1.7 * height:
            return made
        scale, rows = CAPITAL / tall, (first / scale, tall)
    return made


def _at_scale(
    seen: Grey, scale: float, rows: tuple[float, float], inside: tuple[int, int]
) -> tuple[Cut, float, float] | None:
    """A line cut at one scale, and the rows there between which its capitals lie by what was found.

    ``rows``: first row of capitals and their height, in pixels of the film.
    """
    size = max(2, round(seen.shape[1] * scale)), max(2, round(seen.shape[0] * scale))
    scaled = np.asarray(Image.fromarray(seen).resize(size, Image.Resampling.BILINEAR))
    pad = PATCH  # so that every patch lies on the line, and its ground is known round it
    padded = np.pad(scaled, ((pad, pad), (0, 0)), mode="edge")
    hat = padded - opened(padded, _HAT)
    top = pad + rows[0] * scale
    middle = slice(round(top), round(top + CAPITAL)), slice(int(inside[0] * scale), int(inside[1] * scale))
    strong = hat[middle][hat[middle] >= _FAINTEST]
    if strong.size < _SMALLEST:
        return None
    level = float(np.percentile(strong, 80))
    inked = hat >= max(_INKED * level, _FAINTEST / 2)
    inked[:pad], inked[-pad:] = False, False
    labelled, count = ndimage.label(inked, np.ones((3, 3)))
    if not count:
        return None
    areas = np.bincount(labelled.ravel(), minlength=count + 1)[1:]
    boxes = np.array([(c.start, r.start, c.stop, r.stop) for r, c in ndimage.find_objects(labelled)])
    first, last = _capitals(boxes, top)
    box = inside[0] * scale, inside[1] * scale
    top_row = int(np.clip(round(first), _ABOVE, padded.shape[0] - PATCH + _ABOVE))
    kept = [k for k in range(count) if areas[k] >= _SMALLEST and _belongs(boxes[k], top_row, box)]
    spans, numbers, tall = _grouped(boxes, kept, box)
    group_of = np.zeros(count + 1, dtype=np.int32)
    for group, parts in enumerate(numbers):
        group_of[list(parts)] = group + 1
    blocked = tuple(one > _TALL * CAPITAL for one in tall)
    made = Cut(hat, level, inked, group_of[labelled], top_row, spans, blocked, tall, box, scale)
    return made, first - pad, last - pad


def _faint(hat: Grey, inked: npt.NDArray[np.bool_], level: float, rows: slice) -> tuple[tuple[int, int], ...]:
    """Columns of what may be characters that can hardly be seen, between the rows of capitals."""
    near = ndimage.maximum_filter(inked.view(np.uint8), 2 * _HALO + 1)
    rest = (hat >= max(_FAINT * level, _FAINT_LEVELS)) & (near == 0)
    labelled, count = ndimage.label(rest, np.ones((3, 3)))
    if not count:
        return ()
    areas = np.bincount(labelled.ravel(), minlength=count + 1)[1:]
    found = []
    for (down, across), area in zip(ndimage.find_objects(labelled), areas, strict=True):
        within = min(down.stop, rows.stop) - max(down.start, rows.start)
        tall = within >= _FAINT_TALL * CAPITAL and down.stop - down.start <= _FAINT_MOST * CAPITAL
        if tall and area >= _FAINT_AREA * CAPITAL**2:
            found.append((across.start, across.stop))
    return tuple(found)


def _capitals(boxes: npt.NDArray[np.int64], top: float) -> tuple[float, float]:
    """First and last row of capitals by the parts (N, 4) that are about as tall; as expected where there are none."""
    tall = boxes[:, 3] - boxes[:, 1]
    near: npt.NDArray[np.int64] = boxes[
        (tall >= 0.45 * CAPITAL) & (tall <= _TALL * CAPITAL) & (np.abs(boxes[:, 1] - top) < 0.7 * CAPITAL)
    ]
    if not len(near):
        return top, top + CAPITAL
    foot = float(np.median(near[:, 3]))
    high = foot - near[:, 1]
    tops = near[high >= 0.8 * np.percentile(high, 90), 1]
    return float(np.median(tops)), foot


def _belongs(box: npt.NDArray[np.int64], top: int, inside: tuple[float, float]) -> bool:
    """Whether a part lies in the line, and not above or below it; past its ends only what is no speck."""
    left, first, right, last = box.tolist()
    within = min(last, top + 1.2 * CAPITAL) - max(first, top - 0.1 * CAPITAL)
    if within < 0.5 * min(last - first, CAPITAL):
        return False
    if last - first > _TALL * CAPITAL and right - left > _LONG * CAPITAL:
        return False
    return bool(inside[0] <= (left + right) / 2 <= inside[1] or last - first >= _SPECK * CAPITAL)


def _grouped(
    boxes: npt.NDArray[np.int64], kept: list[int], inside: tuple[float, float]
) -> tuple[tuple[tuple[int, int], ...], tuple[tuple[int, ...], ...], tuple[int, ...]]:
    """Parts that stand one over the other taken together, from left to right: spans, numbers, height of the tallest.

    What is too tall and lies past the box is an edge of bone or a side letter, and left out.
    """
    groups: list[tuple[list[int], list[int], int]] = []
    for k in sorted(kept, key=lambda k: (int(boxes[k, 0]), -int(boxes[k, 2]))):
        left, first, right, last = boxes[k].tolist()
        if groups:
            span, numbers, tall = groups[-1]
            if min(span[1], right) - max(span[0], left) >= 0.5 * min(right - left, span[1] - span[0]):
                groups[-1] = [span[0], max(span[1], right)], [*numbers, k + 1], max(tall, last - first)
                continue
        groups.append(([left, right], [k + 1], last - first))
    groups = [
        (span, numbers, tall)
        for span, numbers, tall in groups
        if tall <= _TALL * CAPITAL or inside[0] <= sum(span) / 2 <= inside[1]
    ]
    return (
        tuple((span[0], span[1]) for span, _, _ in groups),
        tuple(tuple(numbers) for _, numbers, _ in groups),
        tuple(tall for _, _, tall in groups),
    )


def gaps(pieces: list[Piece]) -> list[float]:
    """Free columns between neighbours, in heights."""
    return [(other.left - one.right) / CAPITAL for one, other in pairwise(pieces)]

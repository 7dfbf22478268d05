"""Finds side letters on a film: L and R of lead, or drawn by the machine, upright, turned or mirrored.

Bright parts of a letter's size that stand out from what is round them are cut out of the reduced film and shown to a
small network in all eight positions of a square, so that a letter and its mirror image are told apart by the same
means. An R differs from its mirror image however it is turned; an L only by which of its arms is the longer: where they
are alike (a corner mark of a cassette), it is no letter. Whatever is doubtful is left out. What is found, missed and
mistaken stands in ``infer/films/GUIDE.md``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from PIL import Image
from scipy import ndimage

from raysplay.infer.films.letter_network import LETTERS, NETWORK, LetterNetwork
from raysplay.infer.films.patch_network import PATCH
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.films.squares import opened
from raysplay.infer.settings import SideLetterSettings, reading_settings
from raysplay.infer.shipped_weights import of_network

Grey = npt.NDArray[np.uint8]
Patch = npt.NDArray[np.float32]
"""A part cut out: shape (PATCH, PATCH), 0 where nothing of it is, about 1 where it is brightest."""

_ALIKE, _WORD_GAP, _UPRIGHT = 0.6, 0.5, 0.9
"""How alike in height characters of a word are, smaller over larger; the widest gap between them, in heights; how tall
a capital is at least, in widths."""


@dataclass(frozen=True)
class SideLetter:
    """One letter.

    Attributes
    ----------
    letter : {'L', 'R'}
        What it says, read as its mirror image where ``mirrored``.
    mirrored : bool
    x, y : float
        Its middle in pixels of the film, centres at integers.
    height : float
        Its longer side in pixels of the film.
    score : float
        How sure the network is of letter and position together, 0..1.
    """

    letter: str
    mirrored: bool
    x: float
    y: float
    height: float
    score: float


@dataclass(frozen=True)
class Part:
    """Something bright of a letter's size: box in the reduced film (right and bottom exclusive).

    ``step``: by how many grey levels it stands out. ``seen`` is the reduced film, ``hat`` what stands out on it and
    ``labelled`` what hangs together there, this part under ``number``.
    """

    left: int
    top: int
    right: int
    bottom: int
    step: float
    number: int
    seen: Grey
    hat: Grey
    labelled: npt.NDArray[np.int32]

    @property
    def patch(self) -> Patch:
        """Its picture, with a margin of two pixels where the film has them above and left of it."""
        margin = 2 if min(self.top, self.left) >= 2 else 0
        around = slice(self.top - margin, self.bottom + margin), slice(self.left - margin, self.right + margin)
        ink = ndimage.binary_dilation(self.labelled[around] == self.number, iterations=2)
        return _patch(self.hat[around] * ink, self.step, max(self.bottom - self.top, self.right - self.left))

    @property
    def uneven(self) -> float:
        """By how much grey differs in a rim two to four pixels from it, as a share of the step: little beside a foot,
        much over bone."""
        around = slice(max(self.top - 4, 0), self.bottom + 4), slice(max(self.left - 4, 0), self.right + 4)
        ink = self.labelled[around] == self.number
        rim = ndimage.binary_dilation(ink, iterations=4) & ~ndimage.binary_dilation(ink, iterations=2)
        low, high = np.percentile(self.seen[around][rim], (10, 90))
        return float(high - low) / self.step

    def overlaps(self, other: Part) -> bool:
        """Whether the boxes share more than half of the smaller one."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        high = min(self.bottom, other.bottom) - max(self.top, other.top)
        if wide <= 0 or high <= 0:
            return False
        return 2 * wide * high > min(self.area, other.area)

    @property
    def area(self) -> int:
        """Of the box."""
        return (self.right - self.left) * (self.bottom - self.top)


def side_letters(pixels: npt.NDArray[np.floating], settings: SideLetterSettings | None = None) -> list[SideLetter]:
    """The letters of a film that are beyond doubt, surest first.

    Parameters
    ----------
    pixels : ndarray, shape (H, W)
        Grey values 0 to 1 with bone bright.
    settings : SideLetterSettings, optional
        Those of ``reading.yaml`` by default.

    Returns
    -------
    list of SideLetter

    Raises
    ------
    WeightsError
        If the weights that ship are missing or damaged.
    """
    settings = settings or reading_settings().side_letters
    grey, factor = reduced(pixels, settings.longest)
    found = parts(grey, settings)
    if not found:
        return []
    plain, turned = _scores(letter_network(), np.stack([part.patch for part in found]))
    sure: list[tuple[Part, SideLetter]] = []
    for part, ways in zip(found, np.stack([plain, turned], axis=1), strict=True):
        # ways: (plain or mirrored, letter)
        mirrored, which = np.unravel_index(int(ways.argmax()), ways.shape)
        score = float(ways[mirrored, which])
        others = np.delete(ways.ravel(), mirrored * len(LETTERS) + which)
        name = LETTERS[which]
        if score < settings.doubtful_below.of(name) or others.max() > settings.other_most:
            continue
        if part.step < settings.step_least.of(name) or part.uneven > settings.uneven_most:
            continue
        if name == "L" and _in_corner(part, grey.shape, settings.corner):
            continue
        x, y = (factor * (low + high) / 2 - 0.5 for low, high in ((part.left, part.right), (part.top, part.bottom)))
        height = float(factor * max(part.right - part.left, part.bottom - part.top))
        sure.append((part, SideLetter(name, bool(mirrored), float(x), float(y), height, score)))
    return _each_once(sorted(sure, key=lambda one: -one[1].score))


def _in_corner(part: Part, shape: tuple[int, ...], share: float) -> bool:
    """Whether a part lies near two edges of the film that meet."""
    near = share * max(shape)
    down = min(part.top, shape[0] - part.bottom) < near
    return down and min(part.left, shape[1] - part.right) < near


def _each_once(sure: list[tuple[Part, SideLetter]]) -> list[SideLetter]:
    """One letter of each place; none where two readings of one place differ."""
    kept: list[tuple[Part, SideLetter]] = []
    for part, letter in sure:
        if not any(part.overlaps(other) for other, _ in kept):
            kept.append((part, letter))
    return [
        letter
        for part, letter in kept
        if all(
            (said.letter, said.mirrored) == (letter.letter, letter.mirrored)
            for other, said in sure
            if part.overlaps(other)
        )
    ]


def remark_on(letter: SideLetter) -> Remark:
    """What the tables say of a letter."""
    name = f"{letter.letter}, mirrored," if letter.mirrored else letter.letter
    said = f"side letter {name} at column {letter.x:.0f}, row {letter.y:.0f} ({letter.score:.2f})"
    return Remark(RemarkKind.SIDE_LETTER, said)


@lru_cache(maxsize=1)
def letter_network() -> LetterNetwork:
    """The network with the weights that ship.

    Raises
    ------
    WeightsError
        If they are missing or damaged.
    """
    return LetterNetwork.read(of_network(NETWORK))


def _scores(network: LetterNetwork, patches: Patch) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """For each patch (N, P, P) and letter the best of four quarter turns: as it is, and mirrored; (N, 2) each."""
    both = []
    for seen in (patches, patches[:, :, ::-1]):
        turns = np.concatenate([np.rot90(seen, k, (1, 2)) for k in range(4)])
        chances = network.read_patches(turns)[:, : len(LETTERS)]
        both.append(chances.reshape(4, len(patches), len(LETTERS)).max(0))
    return both[0], both[1]


def reduced(pixels: npt.NDArray[np.floating], longest: int) -> tuple[Grey, int]:
    """The film in grey levels 0 to 255, its longer side about ``longest``, and how many pixels became one each way."""
    factor = max(1, round(max(pixels.shape) / longest))
    rows, columns = (side // factor * factor for side in pixels.shape)
    total = np.zeros((rows // factor, columns // factor), dtype=np.float32)
    for i in range(factor):
        for j in range(factor):
            total += pixels[i:rows:factor, j:columns:factor]
    return (np.clip(total * np.float32(1 / factor**2), 0.0, 1.0) * np.float32(255.0)).astype(np.uint8), factor


def parts(grey: Grey, settings: SideLetterSettings, longest: int | None = None) -> list[Part]:
    """What may be a letter, the clearest first; at most ``parts_max`` of the settings.

    Parameters
    ----------
    grey : ndarray of uint8, shape (H, W)
        A reduced film.
    settings : SideLetterSettings
    longest : int, optional
        Longer side of the film that ``grey`` is a part of; its own by default.
    """
    longest = longest or max(grey.shape)
    least, most = max(settings.height[0] * longest, settings.least_pixels), settings.height[1] * longest
    hat = grey - opened(grey, 2 * round(settings.stroke * longest / 2) + 1)
    found: list[Part] = []
    for step in settings.steps:
        labelled, count = ndimage.label(hat >= step, np.ones((3, 3)))
        if not count:
            continue
        places = ndimage.find_objects(labelled)
        areas = np.bincount(labelled.ravel(), minlength=count + 1)[1:]
        boxes = np.array([(across.start, down.start, across.stop, down.stop) for down, across in places])
        sides = boxes[:, 2:] - boxes[:, :2]
        long, short = sides.max(1), sides.min(1)
        share = areas / sides.prod(1)
        beside = boxes[(areas >= least) & (0.5 * least <= long) & (long <= 2 * most)]
        fit = (least <= long) & (long <= most) & (short >= settings.narrowest * long)
        fit &= (settings.filled[0] <= share) & (share <= settings.filled[1])
        fit &= (boxes[:, :2] > 0).all(1) & (boxes[:, 2:] < grey.shape[::-1]).all(1)
        for i in np.flatnonzero(fit).tolist():
            if _in_word(boxes[i], beside):
                continue
            level = float(np.percentile(hat[places[i]][labelled[places[i]] == i + 1], 75))
            left, top, right, bottom = boxes[i].tolist()
            found.append(Part(left, top, right, bottom, level, i + 1, grey, hat, labelled))
    found.sort(key=lambda part: -part.step)
    return found[: settings.parts_max]


def _in_word(box: npt.NDArray[np.int64], boxes: npt.NDArray[np.int64]) -> bool:
    """Whether one of boxes (N, 4), as tall as a box (4,), stands close beside it in a line, as in ANKLE or ERECT; lines
    may run down, too.

    Capitals are taller than wide, so a word below an upright letter is no neighbour in a line.
    """
    size = box[2:] - box[:2]
    for along, across in ((0, 1), (1, 0)):
        if size[across] < _UPRIGHT * size[along]:
            continue
        tall = boxes[:, 2 + across] - boxes[:, across]
        line = boxes[(tall >= _ALIKE * size[across]) & (tall * _ALIKE <= size[across])]
        shared = np.minimum(line[:, 2:], box[2:]) - np.maximum(line[:, :2], box[:2])
        smaller = np.minimum(line[:, 2 + across] - line[:, across], size[across])
        gap = -shared[:, along]
        if ((shared[:, across] >= 0.6 * smaller) & (gap > 0) & (gap < _WORD_GAP * size.max())).any():
            return True
    return False


def _patch(ink: Grey, level: float, long: int) -> Patch:
    """The ink in the middle of a square a quarter wider than it is long."""
    side = round(1.25 * long) + 4
    square = np.zeros((side, side), dtype=np.float32)
    top, left = (side - ink.shape[0]) // 2, (side - ink.shape[1]) // 2
    square[top : top + ink.shape[0], left : left + ink.shape[1]] = ink
    scaled = Image.fromarray(square).resize((PATCH, PATCH), Image.Resampling.BILINEAR)
    shown: Patch = np.clip(np.asarray(scaled, np.float32) / np.float32(max(level, 1.0)), 0.0, 1.0)
    return shown

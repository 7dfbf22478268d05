"""Draws letters, and what might pass for them, as the finder of side letters meets them on a reduced film."""

from __future__ import annotations

from pathlib import Path

import matplotlib
import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

from raysplay.infer.films.letter_network import LETTERS
from raysplay.infer.films.side_letters import Part, parts
from raysplay.infer.settings import SideLetterSettings
from raysplay.train.side_letter_settings import SideLetterTraining

Coverage = npt.NDArray[np.float32]
Grey = npt.NDArray[np.uint8]

_SIDE, _FINE = 128, 4
"""Pixels of a scene, and how much finer it is drawn."""
_OTHERS = "ABCDEFGHIJKMNOPQSTUVWXYZ0123456789abdefghjkmnpqtuy+<>^?#%&/=7JVT1KPBF7JG"
"""No L or R; what is most like them more than once."""


def font_file(name: str) -> Path:
    """A font that comes with matplotlib."""
    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name


def scene(
    rng: np.random.Generator, training: SideLetterTraining, settings: SideLetterSettings
) -> list[tuple[Part, int]]:
    """The parts that the finder cuts out of one drawn scene, each with what it is.

    Returns
    -------
    list of (Part, int)
        The number in ``LETTERS`` of a letter that stands upright but for a tilt, else ``len(LETTERS)``.
    """
    size = float(rng.uniform(*np.log(training.height)))
    height = float(np.exp(size)) * settings.longest
    if rng.random() < training.letters:
        kind = int(rng.integers(len(LETTERS)))
        ink = _letter(rng, training, LETTERS[kind])
        turned = _tilted(ink, float(rng.uniform(-training.tilt, training.tilt)))
        if rng.random() < 0.1:
            turned, lost = _clipped(rng, turned)
            kind = kind if lost < 0.06 else len(LETTERS)
    else:
        kind = len(LETTERS)
        turned = _other(rng, training)
    grey, inked = _exposed(rng, training, turned, height)
    middle = _SIDE / 2
    found = []
    for part in parts(grey, settings, longest=settings.longest):
        over = part.left <= middle <= part.right and part.top <= middle <= part.bottom
        long = max(part.right - part.left, part.bottom - part.top)
        whole = 0.75 * height <= long <= 1.6 * height + 4
        whole &= 0.7 * inked <= part.patch.mean() * (1.25 * long + 4) ** 2 <= 1.5 * inked
        if kind < len(LETTERS) and not (over and whole):
            continue  # a piece of a letter, or what stands beside it
        found.append((part, kind))
    return found


def _exposed(
    rng: np.random.Generator, training: SideLetterTraining, ink: Coverage, height: float
) -> tuple[Grey, float]:
    """A scene in grey with the ink in its middle, ``height`` pixels high before it was tilted, and pixels inked."""
    fine = Image.fromarray(ink)
    factor = height * _FINE / _DRAWN
    fine = fine.resize([max(4, round(side * factor)) for side in fine.size], Image.Resampling.BILINEAR)
    canvas = np.zeros((_SIDE * _FINE, _SIDE * _FINE), dtype=np.float32)
    drawn = np.asarray(fine, np.float32)[: canvas.shape[0], : canvas.shape[1]]
    top, left = ((canvas.shape[k] - drawn.shape[k]) // 2 for k in (0, 1))
    canvas[top : top + drawn.shape[0], left : left + drawn.shape[1]] = drawn
    inked = float(drawn.sum()) / _FINE**2
    reach = max(drawn.shape) / 2 / _FINE
    _beside(rng, canvas, reach, height)
    coverage = canvas.reshape(_SIDE, _FINE, _SIDE, _FINE).mean((1, 3))
    blur = float(rng.uniform(*training.blur)) * height * float(rng.random() < 0.7)
    coverage = ndimage.gaussian_filter(coverage, blur) if blur > 0.2 else coverage
    ground = float(rng.uniform(*training.level))
    y, x = (np.mgrid[:_SIDE, :_SIDE] / _SIDE - 0.5).astype(np.float32)
    slope = rng.normal(0, 15, 2)
    film = ground + slope[0] * x + slope[1] * y
    if rng.random() < 0.25:  # the edge of the skin, or of the field, not far away
        angle, far = rng.uniform(0, 2 * np.pi), float(rng.uniform(0.1, 0.5))
        edge = (np.cos(angle) * x + np.sin(angle) * y - far) * _SIDE / float(rng.uniform(1, 12))
        film = film + float(rng.uniform(20, 90)) / (1 + np.exp(-np.clip(edge, -30, 30)))
    film = film + coverage * float(rng.uniform(*training.contrast))
    film = film + rng.normal(0, float(rng.uniform(*training.grain)), film.shape)
    return np.clip(film, 0, 255).astype(np.uint8), inked


def _beside(rng: np.random.Generator, canvas: Coverage, reach: float, height: float) -> None:
    """Draw what stands round a letter now and then: a ring, a frame, a line of small print, dots."""
    image = Image.fromarray(canvas)
    pen = ImageDraw.Draw(image)
    middle, far = _SIDE * _FINE / 2, reach * _FINE
    width = max(1, round(float(rng.uniform(0.06, 0.14)) * height * _FINE))
    choice = rng.random()
    if choice < 0.08:
        r = far * float(rng.uniform(1.3, 1.6)) + width
        pen.ellipse([middle - r, middle - r, middle + r, middle + r], outline=1.0, width=width)
    elif choice < 0.16:
        r = far * float(rng.uniform(1.15, 1.5)) + width
        pen.rectangle([middle - r, middle - r, middle + r, middle + r], outline=1.0, width=width)
    elif choice < 0.3:
        r = float(rng.uniform(0.05, 0.12)) * height * _FINE
        for k in range(int(rng.integers(1, 4))):
            x, y = middle + (k - 1) * 4 * r, middle + far * 1.25 + 2 * r
            pen.ellipse([x - r, y - r, x + r, y + r], fill=1.0)
    canvas[:] = np.asarray(image, np.float32)


_DRAWN = 96
"""Height of a capital as it is first drawn."""


def _letter(rng: np.random.Generator, training: SideLetterTraining, letter: str) -> Coverage:
    """A capital upright, 0..1, ``_DRAWN`` pixels high but for its stretch."""
    ink = _of_strokes(rng, letter) if rng.random() < training.stroke_letters else _of_font(rng, training, letter)
    if rng.random() < 0.25:
        soft = float(rng.uniform(1, 5))  # rounded, thinner or thicker
        ink = np.clip((ndimage.gaussian_filter(ink, soft) - float(rng.uniform(0.35, 0.6))) * 8 + 0.5, 0, 1)
    shear, stretch = float(rng.normal(0, 0.06)), float(np.exp(rng.normal(0, 0.1)))
    rows, columns = ink.shape
    wide = Image.fromarray(np.pad(ink, ((0, 0), (columns // 2, columns // 2)))).resize(
        (max(8, round(2 * columns * stretch)), rows), Image.Resampling.BILINEAR
    )
    skewed = wide.transform(wide.size, Image.Transform.AFFINE, (1, shear, -shear * rows / 2, 0, 1, 0))
    return _trimmed(np.asarray(skewed, np.float32))


def _of_font(rng: np.random.Generator, training: SideLetterTraining, text: str) -> Coverage:
    name = training.fonts[int(rng.integers(len(training.fonts)))]
    font = ImageFont.truetype(str(font_file(name)), 130)
    stroke = int(rng.integers(0, 7)) if rng.random() < 0.5 else 0
    left, top, right, bottom = font.getbbox(text, stroke_width=stroke)
    image = Image.new("L", (int(right - left) + 8, int(bottom - top) + 8))
    ImageDraw.Draw(image).text((4 - left, 4 - top), text, fill=255, font=font, stroke_width=stroke)
    return _scaled(np.asarray(image, np.float32) / np.float32(255))


def _of_strokes(rng: np.random.Generator, letter: str) -> Coverage:
    """An L or R of strokes of one width."""
    width = int(rng.integers(10, 30))
    image = Image.new("L", (240, 240))
    pen = ImageDraw.Draw(image)
    wide = float(rng.uniform(0.42, 0.72 if letter == "L" else 0.85)) * 120
    x0, y0, x1, y1 = 60.0, 60.0, 60.0 + wide, 180.0
    round_ends = rng.random() < 0.5

    def line(*points: tuple[float, float]) -> None:
        pen.line(list(points), fill=255, width=width, joint="curve")
        if round_ends:
            r = width / 2
            for x, y in points:
                pen.ellipse([x - r, y - r, x + r, y + r], fill=255)

    if letter == "L":
        line((x0, y0), (x0, y1))
        line((x0 - (0 if round_ends else width / 2 - 0.5), y1), (x1, y1))
        if rng.random() < 0.15:
            line((x1, y1), (x1, y1 - float(rng.uniform(0.05, 0.15)) * 120))
    else:
        waist = float(rng.uniform(0.48, 0.6)) * 120 + 60
        r = (waist - y0) / 2
        line((x0, y0), (x0, y1))
        bend = max(x0 + 8, x1 - r)
        line((x0, y0), (bend, y0))
        line((x0, waist), (bend, waist))
        pen.arc([bend - r - width / 2, y0 - width / 2, bend + r + width / 2, waist + width / 2], -90, 90, 255, width)
        line((x0 + float(rng.uniform(0.2, 0.6)) * wide, waist), (x1 + float(rng.uniform(-4, 8)), y1))
    return _scaled(np.asarray(image, np.float32) / np.float32(255))


def _other(rng: np.random.Generator, training: SideLetterTraining) -> Coverage:
    """What is no upright L or R: these turned or mirrored, other characters, corners, figures, blobs."""
    choice = rng.random()
    if choice < 0.34:
        ink = _letter(rng, training, LETTERS[int(rng.integers(len(LETTERS)))])
        turns, flip = divmod(int(rng.integers(1, 8)), 2)
        ink = np.rot90(ink, turns)
        ink = ink[:, ::-1] if flip else ink
        # Between two quarter turns a letter may pass for either; the mirror image never may for the letter.
        return _tilted(np.ascontiguousarray(ink), float(rng.uniform(-1, 1)) * (training.tilt if flip else 35.0))
    if choice < 0.62:
        ink = _of_font(rng, training, _OTHERS[int(rng.integers(len(_OTHERS)))])
    elif choice < 0.7:
        ink = _corner(rng)
    elif choice < 0.84:
        ink = _bent(rng)
    elif choice < 0.94:
        ink = _figure(rng)
    else:
        ink = _blob(rng)
    ink = np.rot90(ink, int(rng.integers(4)))
    ink = ink[:, ::-1] if rng.random() < 0.5 else ink
    return _tilted(np.ascontiguousarray(ink), float(rng.uniform(-1, 1)) * (45.0 if rng.random() < 0.5 else 8.0))


def _corner(rng: np.random.Generator) -> Coverage:
    """Two arms of about one length, as marks of cassettes and fields have, or thin ones of any."""
    image = Image.new("L", (240, 240))
    pen = ImageDraw.Draw(image)
    thin = rng.random() < 0.4
    width = int(rng.integers(2, 7)) if thin else int(rng.integers(7, 34))
    wide = float(rng.uniform(0.5, 1.5) if thin else rng.uniform(0.84, 1.2)) * 120
    pen.line([(60, 60), (60, 180), (60 + wide, 180)], fill=255, width=width)
    if rng.random() < 0.3:
        pen.line([(60, 180), (60, 230)], fill=255, width=width)
    return _scaled(np.asarray(image, np.float32) / np.float32(255))


def _figure(rng: np.random.Generator) -> Coverage:
    """A few strokes, arcs and solids at random."""
    image = Image.new("L", (200, 200))
    pen = ImageDraw.Draw(image)
    for _ in range(int(rng.integers(1, 5))):
        x = np.sort(rng.uniform(20, 180, 2))
        y = np.sort(rng.uniform(20, 180, 2))
        box = [x[0], y[0], x[1] + 4, y[1] + 4]
        width = int(rng.integers(6, 34))
        kind = int(rng.integers(5))
        if kind == 0:
            pen.line([tuple(rng.uniform(20, 180, 2)) for _ in range(int(rng.integers(2, 4)))], fill=255, width=width)
        elif kind == 1:
            start = float(rng.uniform(0, 360))
            pen.arc(box, start, start + float(rng.uniform(60, 360)), 255, width)
        elif kind == 2:
            pen.polygon([tuple(rng.uniform(20, 180, 2)) for _ in range(int(rng.integers(3, 6)))], fill=255)
        elif kind == 3:
            pen.rectangle(box, fill=255 if rng.random() < 0.4 else None, outline=255, width=width)
        else:
            pen.ellipse(box, fill=255 if rng.random() < 0.4 else None, outline=255, width=width)
    return _scaled(np.asarray(image, np.float32) / np.float32(255))


def _bent(rng: np.random.Generator) -> Coverage:
    """A bent band of uneven breadth with a rough rim, as edges of bones leave it."""
    ends = np.array([[60.0, 60.0], [60.0, 180.0], [60.0 + float(rng.uniform(0.35, 1.1)) * 120, 180.0]])
    ends[1] += rng.normal(0, 14, 2)
    ends[2, 1] += float(rng.normal(0, 40))
    t = np.linspace(0, 1, 60)[:, None]
    path = (1 - t) ** 2 * ends[0] + 2 * t * (1 - t) * ends[1] + t**2 * ends[2]
    if rng.random() < 0.5:  # a sharp bend
        path = np.concatenate([ends[0] + t * (ends[1] - ends[0]), ends[1] + t * (ends[2] - ends[1])])
    along = np.linspace(0, 1, len(path))
    breadth = float(rng.uniform(6, 18)) * np.exp(
        float(rng.normal(0, 0.5)) * (along - 0.5) + 0.25 * np.sin(2 * np.pi * (2 * along + rng.random()))
    )
    image = Image.new("L", (260, 260))
    pen = ImageDraw.Draw(image)
    for (x, y), r in zip(path, breadth, strict=True):
        pen.ellipse([x - r, y - r, x + r, y + r], fill=255)
    ink = np.asarray(image, np.float32) / np.float32(255)
    rough = ndimage.gaussian_filter(rng.normal(size=ink.shape), float(rng.uniform(3, 7)))
    soft = ndimage.gaussian_filter(ink, float(rng.uniform(2, 6)))
    return _scaled(np.clip((soft + float(rng.uniform(0.1, 0.3)) * rough / rough.std() - 0.5) * 4 + 0.5, 0, 1))


def _blob(rng: np.random.Generator) -> Coverage:
    """An uneven patch, as of bone or dirt."""
    smooth = ndimage.gaussian_filter(rng.normal(size=(120, 120)), float(rng.uniform(5, 16)))
    y, x = np.mgrid[-1:1:120j, -1:1:120j]
    smooth = smooth / smooth.std() - 1.5 * (x**2 + y**2)
    return _scaled((smooth > np.percentile(smooth, float(rng.uniform(60, 85)))).astype(np.float32))


def _clipped(rng: np.random.Generator, ink: Coverage) -> tuple[Coverage, float]:
    """The ink with a side of it cut off, and the share of it that was lost."""
    turns, cut = int(rng.integers(4)), float(rng.uniform(0, 0.5))
    turned = np.rot90(ink, turns).copy()
    turned[: round(cut * len(turned))] = 0
    return np.ascontiguousarray(np.rot90(turned, -turns)), 1 - float(turned.sum() / max(ink.sum(), 1e-6))


def _tilted(ink: Coverage, angle: float) -> Coverage:
    return np.asarray(Image.fromarray(ink).rotate(angle, Image.Resampling.BILINEAR, expand=True), np.float32)


def _trimmed(ink: Coverage) -> Coverage:
    rows, columns = (np.flatnonzero((ink > 0.3).any(axis)) for axis in (1, 0))
    if not len(rows) or not len(columns):
        return ink
    return np.ascontiguousarray(ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1])


def _scaled(ink: Coverage) -> Coverage:
    """Trimmed, its longer side ``_DRAWN`` pixels."""
    ink = _trimmed(ink)
    factor = _DRAWN / max(ink.shape)
    size = [max(3, round(side * factor)) for side in ink.shape[::-1]]
    return np.asarray(Image.fromarray(ink).resize(size, Image.Resampling.BILINEAR), np.float32)

"""Side letters, burnt-in text and aids: lead in the beam, or printed by the workstation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont

from raysplay.measure.sides import SIDE_WORDS
from raysplay.synthetic_data.film.settings import MarkSettings

FloatImage = npt.NDArray[np.float32]

_GRAIN = 3
"""Marks are drawn this much finer than the film, then averaged."""


@dataclass(frozen=True)
class Mark:
    """One thing on a film that is no foot.

    ``kind``: letter, text, sign, ruler, wedge, ball or corner; ``text`` what it says; ``lead`` whether it stood in
    the beam; ``x``, ``y`` its centre in pixels of the film; ``height`` of a letter, in mm;
    ``under`` what stands under one.
    """

    kind: str
    text: str
    lead: bool
    x: float
    y: float
    height: float
    under: str = ""


@dataclass(frozen=True)
class Stamp:
    """A mark and its picture.

    ``ink`` 0..1 is the share of each pixel that the mark covers, ``paper`` the same for a box behind it or
    ``None``; ``depth`` is what lead adds to the path through cortical bone in mm, ``grey`` and ``paper_grey`` what
    is printed.
    """

    mark: Mark
    ink: FloatImage
    paper: FloatImage | None
    depth: float
    grey: float
    paper_grey: float


def _font(height: float, plain: bool) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default_imagefont() if plain else ImageFont.load_default(max(6.0, 1.38 * height))


def _write(text: str, height: int, plain: bool = False, bold: float = 0.0, gap: float = 0.35) -> FloatImage:
    """Coverage of lines of ``text`` whose capitals are about ``height`` pixels high."""
    font = _font(height, plain)
    stroke = 0 if plain else round(bold * height)
    probe = ImageDraw.Draw(Image.new("L", (4, 4)))
    spacing = gap * (8 if plain else height)
    box = probe.multiline_textbbox((0, 0), text, font=font, stroke_width=stroke, spacing=spacing)
    size = int(np.ceil(box[2] - box[0])) + 2, int(np.ceil(box[3] - box[1])) + 2
    image = Image.new("L", size)
    ImageDraw.Draw(image).multiline_text(
        (1 - box[0], 1 - box[1]), text, fill=255, font=font, stroke_width=stroke, spacing=spacing
    )
    if plain:
        factor = max(1, round(height / 7))
        image = image.resize((image.width * factor, image.height * factor), Image.Resampling.NEAREST)
    return np.asarray(image, np.float32) / np.float32(255)


def _turn(image: FloatImage, angle: float) -> FloatImage:
    if abs(angle) < 0.05:
        return image
    turned = Image.fromarray(image).rotate(angle, Image.Resampling.BILINEAR, expand=True)
    return np.asarray(turned, np.float32)


def _shrink(image: FloatImage) -> FloatImage:
    """Average blocks of ``_GRAIN`` pixels."""
    rows, columns = (-(-n // _GRAIN) * _GRAIN for n in image.shape)
    padded = np.pad(image, ((0, rows - image.shape[0]), (0, columns - image.shape[1])))
    blocks = padded.reshape(rows // _GRAIN, _GRAIN, columns // _GRAIN, _GRAIN)
    return np.ascontiguousarray(blocks.mean((1, 3)), np.float32)


def _framed(ink: FloatImage, pad: int, border: int) -> FloatImage:
    framed = np.pad(ink, pad)
    framed = np.pad(framed, border, constant_values=1.0)
    return framed


def _letter_angle(rng: np.random.Generator, settings: MarkSettings) -> float:
    if rng.random() < settings.letter_any_turn:
        return float(rng.choice([90.0, 180.0, 270.0, rng.uniform(0, 360)]))
    return float(rng.normal(*settings.letter_turn))


def side_letter(rng: np.random.Generator, settings: MarkSettings, letter: str, pixel_mm: float) -> Stamp:
    """A side letter, alone or with a radiographer's sign or a word under it."""
    lead = bool(rng.random() < settings.lead_share)
    height_mm = float(rng.uniform(*settings.letter_mm))
    height = max(8, round(height_mm / pixel_mm * _GRAIN))
    bold = float(rng.uniform(0.02, 0.13))
    text = letter
    if not lead and rng.random() < 0.12:
        text = SIDE_WORDS[letter].upper()
        height_mm, height = 0.4 * height_mm, max(8, round(0.4 * height))
    ink = _write(text, height, plain=not lead and rng.random() < 0.15, bold=bold)
    extra, word = rng.random(), ""
    if extra < 0.30:
        word = _word(rng) if extra < 0.17 else "".join(rng.choice(list("ABDEGHKMNPSTVWZ"), 2))
        under = _write(word, max(6, height // 3), bold=0.04)
        ink = _stack(ink, under, max(2, height // 6))
    if rng.random() < 0.16:
        ink = _framed(ink, max(2, height // 5), max(1, height // 14))
    paper = None
    if lead and rng.random() < settings.holder_share:
        pad = max(2, height // 3)
        ink = np.pad(ink, pad)
        paper = np.ones_like(ink)
        paper[pad // 3 : -pad // 3, pad // 3 : -pad // 3] = 0.75
    if not lead and rng.random() < settings.text_box_share:
        ink = np.pad(ink, max(2, height // 6))
        paper = np.ones_like(ink)
    if lead and rng.random() < settings.letter_reversed:
        ink = ink[:, ::-1]
    angle = _letter_angle(rng, settings) if lead else float(rng.choice([0.0, 90.0], p=[0.95, 0.05]))
    ink = _shrink(_turn(ink, angle))
    paper = None if paper is None else _shrink(_turn(paper, angle))
    return _stamp(rng, settings, Mark("letter", text, lead, 0, 0, height_mm, word), ink, paper)


def _stamp(
    rng: np.random.Generator, settings: MarkSettings, mark: Mark, ink: FloatImage, paper: FloatImage | None
) -> Stamp:
    grey, paper_grey = float(rng.uniform(0.82, 1.0)), float(rng.uniform(0, 0.08))
    if paper is not None and rng.random() < 0.4:
        grey, paper_grey = paper_grey, grey
    return Stamp(mark, ink, paper, float(rng.uniform(*settings.lead_depth)), grey, paper_grey)


def _stack(upper: FloatImage, lower: FloatImage, gap: int) -> FloatImage:
    width = max(upper.shape[1], lower.shape[1])

    def centred(image: FloatImage) -> FloatImage:
        left = (width - image.shape[1]) // 2
        return np.pad(image, ((0, 0), (left, width - image.shape[1] - left)))

    return np.concatenate([centred(upper), np.zeros((gap, width), np.float32), centred(lower)])


_WORDS = ("DP", "AP", "WB", "STANDING", "FOOT", "OBL", "LAT", "ERECT", "PA", "STOJ", "PIED", "FUSS")


def _word(rng: np.random.Generator) -> str:
    return str(rng.choice(_WORDS))


def _line(rng: np.random.Generator) -> str:
    day, month, year = int(rng.integers(1, 29)), int(rng.integers(1, 13)), int(rng.integers(1998, 2040))
    hour, minute, second = int(rng.integers(7, 19)), int(rng.integers(0, 60)), int(rng.integers(0, 60))
    number = int(rng.integers(10, 99999))
    return str(
        rng.choice(
            [
                f"{day:02d}.{month:02d}.{year}",
                f"{year}-{month:02d}-{day:02d}",
                f"{day:02d}/{month:02d}/{year % 100:02d}",
                f"{hour:02d}:{minute:02d}:{second:02d}",
                f"No {number}",
                f"{number:06d}",
                f"{_word(rng)} {_word(rng)}",
                f"{_word(rng)} {number % 20}",
                f"{int(rng.integers(46, 66))} kV {rng.uniform(2, 9):.1f} mAs",
                f"S {int(rng.integers(80, 900))}",
                f"EI {int(rng.integers(180, 2400))}",
                f"[{int(rng.integers(1, 4))}/{int(rng.integers(2, 5))}]",
            ]
        )
    )


def text_lines(rng: np.random.Generator, settings: MarkSettings, pixel_mm: float) -> Stamp:
    """One to four burnt-in lines of invented text."""
    height_mm = float(rng.uniform(*settings.text_mm))
    height = max(7 * _GRAIN, round(height_mm / pixel_mm * _GRAIN))
    text = "\n".join(_line(rng) for _ in range(int(rng.integers(1, 5))))
    ink = _write(text, height, plain=rng.random() < 0.4, bold=float(rng.choice([0.0, 0.03, 0.06])))
    paper = None
    if rng.random() < settings.text_box_share:
        ink = np.pad(ink, height // 2)
        paper = np.ones_like(ink)
    angle = float(rng.choice([0.0, 90.0, 270.0], p=[0.9, 0.05, 0.05]))
    ink, paper = _shrink(_turn(ink, angle)), None if paper is None else _shrink(_turn(paper, angle))
    return _stamp(rng, settings, Mark("text", text, False, 0, 0, height_mm), ink, paper)


def _drawn(
    size_mm: tuple[float, float], pixel_mm: float, draw: Callable[[ImageDraw.ImageDraw, float], None]
) -> FloatImage:
    scale = _GRAIN / pixel_mm
    image = Image.new("L", (max(2, round(size_mm[0] * scale)), max(2, round(size_mm[1] * scale))))
    draw(ImageDraw.Draw(image), scale)
    return np.asarray(image, np.float32) / np.float32(255)


def sign(rng: np.random.Generator, settings: MarkSettings, pixel_mm: float) -> Stamp:
    """A small invented pictogram: an arrow, a bar, or a step in a box, for how the patient stood."""
    side = float(rng.uniform(7, 14))
    shape = int(rng.integers(3))

    def draw(pen: ImageDraw.ImageDraw, scale: float) -> None:
        s, w = side * scale, max(1, round(0.08 * side * scale))
        if shape == 0:
            pen.line([(0.5 * s, 0.9 * s), (0.5 * s, 0.2 * s)], fill=255, width=w)
            pen.polygon([(0.25 * s, 0.4 * s), (0.75 * s, 0.4 * s), (0.5 * s, 0.08 * s)], fill=255)
        elif shape == 1:
            pen.line([(0.1 * s, 0.85 * s), (0.9 * s, 0.85 * s)], fill=255, width=2 * w)
            pen.ellipse([0.35 * s, 0.2 * s, 0.65 * s, 0.5 * s], fill=255)
        else:
            pen.line([(0.15 * s, 0.2 * s), (0.15 * s, 0.8 * s), (0.85 * s, 0.8 * s)], fill=255, width=2 * w)

    ink = _framed(_drawn((side, side), pixel_mm, draw), 2, max(1, round(0.5 / pixel_mm * _GRAIN)))
    lead = bool(rng.random() < 0.4)
    paper = None if lead or rng.random() < 0.5 else np.ones_like(ink)
    ink, paper = _shrink(ink), None if paper is None else _shrink(paper)
    return _stamp(rng, settings, Mark("sign", "", lead, 0, 0, side), ink, paper)


def ruler(rng: np.random.Generator, settings: MarkSettings, pixel_mm: float) -> Stamp:
    """Lead lines every 10 mm, a longer one every 50 mm."""
    length = float(rng.choice([100, 150, 200]))
    thick = float(rng.uniform(0.4, 0.9))

    def draw(pen: ImageDraw.ImageDraw, scale: float) -> None:
        w = max(1, round(thick * scale))
        for k in range(int(length // 10) + 1):
            end = 8.0 if k % 5 == 0 else 4.5
            pen.line([(0, (2 + 10 * k) * scale), (end * scale, (2 + 10 * k) * scale)], fill=255, width=w)

    ink = _drawn((9, length + 4), pixel_mm, draw)
    ink = _shrink(_turn(ink, float(rng.choice([0.0, 90.0, 180.0]) + rng.normal(0, 2))))
    return _stamp(rng, settings, Mark("ruler", "", True, 0, 0, length), ink, None)


def wedge(rng: np.random.Generator, settings: MarkSettings, pixel_mm: float) -> Stamp:
    """A stair of metal for comparing densities."""
    steps, tread, broad = int(rng.integers(5, 12)), float(rng.uniform(4, 9)), float(rng.uniform(10, 22))
    stair = np.repeat(np.linspace(1 / steps, 1, steps, dtype=np.float32), round(tread / pixel_mm * _GRAIN))
    ink = np.repeat(stair[:, None], round(broad / pixel_mm * _GRAIN), axis=1)
    ink = _shrink(_turn(ink, float(rng.choice([0.0, 90.0, 180.0, 270.0]) + rng.normal(0, 4))))
    stamp = _stamp(rng, settings, Mark("wedge", "", True, 0, 0, steps * tread), ink, None)
    return replace(stamp, depth=float(rng.uniform(15, 45)))


def ball(rng: np.random.Generator, settings: MarkSettings, pixel_mm: float) -> Stamp:
    """A metal ball of known size (25 mm, magnified a little)."""
    radius = 12.5 * float(rng.uniform(1.0, 1.05))
    half = int(np.ceil(radius / pixel_mm)) + 1
    at = np.arange(-half, half + 1) * pixel_mm
    ink = np.sqrt(np.clip(1 - (at[None] ** 2 + at[:, None] ** 2) / radius**2, 0, None)).astype(np.float32)
    return _stamp(rng, settings, Mark("ball", "", True, 0, 0, 2 * radius), ink, None)


def corner(rng: np.random.Generator, settings: MarkSettings, pixel_mm: float) -> Stamp:
    """The corner mark of a cassette."""
    side, thick = float(rng.uniform(5, 12)), float(rng.uniform(0.4, 1.2))

    def draw(pen: ImageDraw.ImageDraw, scale: float) -> None:
        s, w = side * scale, max(1, round(thick * scale))
        pen.line([(0, 0), (0, s), (s, s)], fill=255, width=2 * w)

    ink = _shrink(np.rot90(_drawn((side, side), pixel_mm, draw), int(rng.integers(4))))
    stamp = _stamp(rng, settings, Mark("corner", "", True, 0, 0, side), ink, None)
    return replace(stamp, depth=float(rng.uniform(2, 12)))


def place(
    rng: np.random.Generator,
    stamp: Stamp,
    taken: npt.NDArray[np.bool_],
    step: int,
    near: tuple[float, float] | None = None,
    tries: int = 40,
) -> tuple[int, int]:
    """Column and row for the corner of a mark where it covers least of what is ``taken``.

    Parameters
    ----------
    taken : ndarray of bool, shape (rows / step, columns / step)
        Places that a radiographer would keep free; True outside the field, too.
    step : int
        Pixels of the film a cell.
    near : (x, y) or None
        Among equally free places, the one next to this pixel.

    Returns
    -------
    (column, row) : tuple of int
        Pixels of the film.
    """
    rows, columns = taken.shape
    high, wide = (max(1, -(-n // step)) for n in stamp.ink.shape)
    area = np.pad(taken.astype(np.int32).cumsum(0).cumsum(1), ((1, 0), (1, 0)))
    best, where = np.inf, (0, 0)
    for _ in range(tries):
        r, c = int(rng.integers(0, max(1, rows - high))), int(rng.integers(0, max(1, columns - wide)))
        r1, c1 = min(rows, r + high), min(columns, c + wide)
        covered = float(area[r1, c1] - area[r, c1] - area[r1, c] + area[r, c])
        cost = covered * step
        if near is not None:
            cost += 0.05 * np.hypot((c + wide / 2) * step - near[0], (r + high / 2) * step - near[1])
        if cost < best:
            best, where = cost, (c * step, r * step)
    return where


def put(stamp: Stamp, at: tuple[int, int]) -> Stamp:
    """The stamp with its mark's centre at its place."""
    rows, columns = stamp.ink.shape
    mark = replace(stamp.mark, x=at[0] + (columns - 1) / 2, y=at[1] + (rows - 1) / 2)
    return replace(stamp, mark=mark)


def _overlap(
    shape: tuple[int, ...], part: tuple[int, ...], at: tuple[int, int]
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    left, top = at
    r0, c0 = max(0, top), max(0, left)
    r1, c1 = max(r0, min(shape[0], top + part[0])), max(c0, min(shape[1], left + part[1]))
    return (slice(r0, r1), slice(c0, c1)), (slice(r0 - top, r1 - top), slice(c0 - left, c1 - left))


def add_lead(cortical: FloatImage, soft: FloatImage, stamp: Stamp, at: tuple[int, int]) -> None:
    """Let a lead mark stand in the beam: lengthens the paths in place."""
    on, of = _overlap(cortical.shape, stamp.ink.shape, at)
    cortical[on] += stamp.depth * stamp.ink[of]
    if stamp.paper is not None:
        soft[on] += 2.5 * stamp.paper[of]


def print_on(film: FloatImage, stamp: Stamp, at: tuple[int, int]) -> None:
    """Print a mark over a finished film, in place."""
    on, of = _overlap(film.shape, stamp.ink.shape, at)
    if stamp.paper is not None:
        film[on] = film[on] * (1 - stamp.paper[of]) + stamp.paper_grey * stamp.paper[of]
    film[on] = film[on] * (1 - stamp.ink[of]) + stamp.grey * stamp.ink[of]

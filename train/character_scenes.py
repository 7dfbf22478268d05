"""Draws lines of writing, and what might pass for them, as the reader of words meets them on films."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import matplotlib
import numpy as np
import numpy.typing as npt
import reportlab
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

from raysplay.infer.films.character_network import CHARACTERS
from raysplay.infer.films.read_line import OTHER
from raysplay.infer.films.writing_line import CAPITAL, WIDEST, Box, Cut, Piece, Way, cut
from raysplay.train.character_settings import CharacterTraining
from raysplay.train.stroke_font import STROKES

Coverage = npt.NDArray[np.float32]
Grey = npt.NDArray[np.uint8]

_DRAWN = 64
"""Height of a capital as it is first drawn."""
_AS = {"0": "O", "1": "I", "|": "I", ",": ".", ";": ":", "[": "(", "]": ")"}
_USUAL = "ABCDEFGHIJKLMNOPQRSTUVWXYZ" * 3 + "0123456789" * 2 + ".,-:/()[]+%?|;"
_NO_CHARACTERS = "&@#*=<>$~^{}ÆØΓΔΘΛΞΠΣΦΨΩБГДЖИЛПФЦЧШЩЭЮЯ§¶©→↑◊■□●"
_WORDS = (
    *("WEIGHT BEARING", "NON WEIGHT BEARING", "STANDING", "ERECT", "WB", "NWB", "SUPINE", "SITTING", "STEHEND"),
    *("LIEGEND", "BELASTET", "EN CHARGE", "DEBOUT", "IN CARICO", "EN CARGA", "FOOT", "DP", "AP", "LAT", "OBL", "LEFT"),
    *("RIGHT", "ANKLE", "FUSS", "PIED", "PIEDE", "kV", "mAs", "No", "mm", "ID"),
)
# What is no character when it is mirrored, upside down or both; all others may pass for another one.
_LOPSIDED = {
    (True, False): "BCDEFGJKLNPQRSZ234579",
    (False, True): "AGJKLNRSTVYZ2457",
    (True, True): "ACDEFGJKQRTVY347",
}


@dataclass(frozen=True)
class _Drawn:
    """One character of a line: which it is, and columns of its ink on the line."""

    kind: str
    left: float
    right: float


def font_file(name: str) -> Path:
    """A font that comes with matplotlib or ReportLab."""
    own = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name
    return own if own.exists() else Path(reportlab.__file__).parent / "fonts" / name


def kind_of(character: str) -> int:
    """The number in ``CHARACTERS`` of what a drawn character is, or that of what is none."""
    place = CHARACTERS.find(_AS.get(character, character.upper()))
    return OTHER if place < 0 else place


def scene(rng: np.random.Generator, training: CharacterTraining) -> list[tuple[Piece, int]]:
    """The pieces into which the reader cuts one drawn line, each with what it is: a number in ``CHARACTERS``, or the
    next for what is none.
    """
    height = float(np.exp(rng.uniform(*np.log(training.height))))
    drawn: list[_Drawn] = []
    if rng.random() < training.bare:
        ink = _figures(rng)
    else:
        ink, drawn = _line(rng, training)
    film, box, start, scale = _exposed(rng, training, ink, height)
    turned = bool(drawn) and rng.random() < training.turned
    ways = [Way(False, True, False), Way(False, False, True), Way(False, True, True)]
    way = ways[int(rng.integers(3))] if turned else Way(False, False, False)
    bright = not _dark(rng)
    made = cut(film if bright else 255 - film, box, way, bright=bright)
    if made is None:
        return []
    on_film = [_Drawn(one.kind, start + scale * one.left, start + scale * one.right) for one in drawn]
    found = []
    for piece in _pieces(rng, made):
        kind = _kind(piece, made, on_film, box, way)
        if kind is not None:
            found.append((piece, kind))
    return found


def _dark(rng: np.random.Generator) -> bool:
    return bool(rng.random() < 0.3)


def _pieces(rng: np.random.Generator, made: Cut) -> list[Piece]:
    """Groups, and some of what the reader tries in their place."""
    pieces = []
    for group, (left, right) in enumerate(made.spans):
        if made.blocked[group]:
            continue
        if right - left <= WIDEST * CAPITAL:
            pieces.append(made.piece(group))
        ends = made.cuts(group)
        spans = [(a, b) for i, a in enumerate(ends) for b in ends[i + 1 :] if (a, b) != (left, right)]
        fit = [one for one in spans if one[1] - one[0] <= WIDEST * CAPITAL]
        share = 0.15 if right - left > WIDEST * CAPITAL else 0.012
        pieces += [made.piece(group, *one) for one in fit if rng.random() < share]
    return pieces


def _kind(piece: Piece, made: Cut, drawn: list[_Drawn], box: Box, way: Way) -> int | None:
    """What a piece shows; None where that is open to dispute."""
    ends = [(one - made.box[0]) / made.scale for one in (piece.left, piece.right)]
    left, right = (box[2] - ends[1], box[2] - ends[0]) if way.back else (box[0] + ends[0], box[0] + ends[1])
    shares = [
        (max(0.0, min(right, one.right) - max(left, one.left)) / max(one.right - one.left, 1.0), one) for one in drawn
    ]
    whole = [one for share, one in shares if share > 0.8]
    if len(whole) > 1:
        return OTHER
    if not whole:
        bar = piece.right - piece.left < 0.4 * CAPITAL and _tall(piece) > 0.75 * CAPITAL  # as an I by itself
        return None if bar or any(share > 0.45 for share, _ in shares) else OTHER
    (one,) = whole
    if any(share > 0.12 for share, other in shares if other is not one):
        return OTHER if any(share > 0.4 for share, other in shares if other is not one) else None
    if right - left > 1.35 * (one.right - one.left) + 2.5 / made.scale:
        return None
    if way.upright:
        return kind_of(one.kind)
    return OTHER if one.kind in _LOPSIDED[way.back, way.over] else None


def _tall(piece: Piece) -> int:
    """Rows with ink of a piece."""
    return int((piece.patch > 0.5).any(1).sum())


def _line(rng: np.random.Generator, training: CharacterTraining) -> tuple[Coverage, list[_Drawn]]:
    """A line 0..1 whose capitals are ``_DRAWN`` high, trimmed, and its characters."""
    text = _text(rng, training)
    choice = rng.random()
    if choice < training.stroke_lines:
        glyphs = _of_strokes(rng, text)
    elif choice < training.stroke_lines + training.bitmap_lines:
        glyphs = _of_bitmap(text)
    else:
        glyphs = _of_font(rng, training, text)
    stretch = float(np.exp(rng.uniform(*np.log(training.stretch))))
    tracking = float(rng.uniform(*training.tracking)) * _DRAWN * float(rng.random() < 0.7)
    canvas = np.zeros((4 * _DRAWN, round((len(text) + 3) * 2.2 * _DRAWN)), dtype=np.float32)
    x, drawn = float(_DRAWN), []
    for character, (ink, top, before, advance) in zip(text, glyphs, strict=True):
        if ink is not None and ink.size:
            wide = max(2, round(ink.shape[1] * stretch))
            shown = np.asarray(Image.fromarray(ink).resize((wide, ink.shape[0]), Image.Resampling.BILINEAR), np.float32)
            left, first = round(x + before * stretch), _DRAWN + round(top)
            if first < 0 or first + ink.shape[0] > canvas.shape[0] or left + wide > canvas.shape[1]:
                break
            part = canvas[first : first + ink.shape[0], left : left + wide]
            np.maximum(part, shown, out=part)
            drawn.append(_Drawn(character, left, left + wide))
        x += advance * stretch + tracking
    if rng.random() < training.reshaped:  # rounded, thinner or thicker
        soft = ndimage.gaussian_filter(canvas, float(rng.uniform(0.7, 3.0)))
        canvas = np.clip((soft - float(rng.uniform(0.35, 0.62))) * 8 + 0.5, 0, 1)
    columns = np.flatnonzero((canvas > 0.3).any(0))
    if not len(columns):
        return canvas[:, :_DRAWN], []
    start = int(columns[0])
    moved = [_Drawn(one.kind, one.left - start, one.right - start) for one in drawn]
    return np.ascontiguousarray(canvas[:, start : columns[-1] + 1]), moved


def _text(rng: np.random.Generator, training: CharacterTraining) -> str:
    choice = rng.random()
    if choice < 0.25:
        text = str(rng.choice(_WORDS))
    else:
        length = int(rng.integers(2, 10))
        pool = _NO_CHARACTERS if choice > 0.94 else _USUAL
        text = "".join(pool[int(k)] for k in rng.integers(0, len(pool), length))
        if choice < 0.4:
            text = f"{text[:3]} {text[3:]}"
    if rng.random() < training.small_letters:
        text = text.lower() if rng.random() < 0.4 else text.capitalize()
    return text


_Glyph = tuple[Coverage | None, float, float, float]
"""Ink, its first row below the top of capitals, its first column after the pen's place, how far the pen moves."""


def _of_font(rng: np.random.Generator, training: CharacterTraining, text: str) -> list[_Glyph]:
    name = training.fonts[int(rng.integers(len(training.fonts)))]
    stroke = int(rng.integers(0, 5)) if rng.random() < 0.4 else 0
    font, top = _sized(name)
    glyphs: list[_Glyph] = []
    for character in text:
        left, first, right, last = font.getbbox(character, stroke_width=stroke)
        image = Image.new("L", (max(1, int(right - left)), max(1, int(last - first))))
        ImageDraw.Draw(image).text((-left, -first), character, fill=255, font=font, stroke_width=stroke)
        ink = None if character == " " else np.asarray(image, np.float32) / np.float32(255)
        glyphs.append((ink, first - top, left, font.getlength(character) + stroke))
    return glyphs


@lru_cache(maxsize=64)
def _sized(name: str) -> tuple[ImageFont.FreeTypeFont, float]:
    """A font whose capitals are ``_DRAWN`` high, and the row of their top."""
    file = str(font_file(name))
    probe = ImageFont.truetype(file, 200).getbbox("H")
    font = ImageFont.truetype(file, round(200 * _DRAWN / (probe[3] - probe[1])))
    return font, font.getbbox("H")[1]


def _of_bitmap(text: str) -> list[_Glyph]:
    """Of Pillow's old font, whose capitals are 7 pixels high."""
    font = ImageFont.load_default_imagefont()
    size = _DRAWN / 7
    glyphs: list[_Glyph] = []
    for character in text:
        image = Image.new("L", (6, 12))
        ImageDraw.Draw(image).text((0, 0), character if ord(character) < 256 else "@", fill=255, font=font)
        ink = np.asarray(image, np.float32) / np.float32(255)
        columns, rows = np.flatnonzero(ink.any(0)), np.flatnonzero(ink.any(1))
        if not len(columns):
            glyphs.append((None, 0, 0, 6 * size))
            continue
        shown = ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        large = np.kron(shown, np.ones((round(size), round(size)), np.float32))
        glyphs.append((large, (rows[0] - _bitmap_top()) * size, columns[0] * size, 6 * size))
    return glyphs


@lru_cache(maxsize=1)
def _bitmap_top() -> int:
    image = Image.new("L", (6, 12))
    ImageDraw.Draw(image).text((0, 0), "H", fill=255, font=ImageFont.load_default_imagefont())
    return int(np.flatnonzero(np.asarray(image).any(1))[0])


def _of_strokes(rng: np.random.Generator, text: str) -> list[_Glyph]:
    """Of strokes of one width, their points moved a little; what has no strokes leaves a gap."""
    width = int(rng.integers(4, 16))
    wide, apart, jitter = float(rng.uniform(0.5, 0.85)), float(rng.uniform(0.15, 0.4)), float(rng.uniform(0, 0.15))
    rounded = rng.random() < 0.6
    glyphs: list[_Glyph] = []
    for character in text.upper():
        strokes = STROKES.get(character)
        if strokes is None:
            glyphs.append((None, 0, 0, 0.6 * _DRAWN))
            continue
        image = Image.new("L", (2 * _DRAWN, 2 * _DRAWN))
        pen = ImageDraw.Draw(image)
        for stroke in strokes:
            points = [
                (
                    _DRAWN // 2 + (x + rng.normal(0, jitter)) / 4 * wide * _DRAWN,
                    _DRAWN // 2 + width / 2 + (y + rng.normal(0, jitter)) / 6 * (_DRAWN - width),
                )
                for x, y in stroke
            ]
            pen.line(points, fill=255, width=width, joint="curve")
            if rounded or len(set(stroke)) == 1:
                for x, y in points:
                    pen.ellipse([x - width / 2, y - width / 2, x + width / 2, y + width / 2], fill=255)
        ink = np.asarray(image, np.float32) / np.float32(255)
        rows, columns = np.flatnonzero(ink.any(1)), np.flatnonzero(ink.any(0))
        shown = ink[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        glyphs.append((shown, rows[0] - _DRAWN // 2, 0, shown.shape[1] + apart * _DRAWN))
    return glyphs


def _figures(rng: np.random.Generator) -> Coverage:
    """Frames and solids side by side, as rules and signs leave them; none that may be a character."""
    image = Image.new("L", (8 * _DRAWN, 4 * _DRAWN))
    pen = ImageDraw.Draw(image)
    for _ in range(int(rng.integers(3, 12))):
        x, y = float(rng.uniform(0, 7)) * _DRAWN, float(rng.uniform(0.8, 1.7)) * _DRAWN
        wide, high = rng.uniform(0.1, 1.2, 2) * _DRAWN
        box, width = [x, y, x + wide + 4, y + high + 4], int(rng.integers(3, 20))
        kind = int(rng.integers(3))
        if kind == 0:
            points = [(x + wide * float(rng.random()), y + high * float(rng.random())) for _ in range(4)]
            pen.polygon(points, fill=255)
        elif kind == 1:
            pen.rectangle(box, fill=255 if rng.random() < 0.4 else None, outline=255, width=width)
        else:
            pen.ellipse(box, fill=255)
    return np.asarray(image, np.float32) / np.float32(255)


def _exposed(
    rng: np.random.Generator, training: CharacterTraining, ink: Coverage, height: float
) -> tuple[Grey, Box, float, float]:
    """A film with a line in its middle: its grey, the box as the finder gives it, the column where the line begins and
    how many of its columns one of the line's is.
    """
    factor = height / _DRAWN
    size = max(2, round(ink.shape[1] * factor)), max(2, round(ink.shape[0] * factor))
    small = np.asarray(Image.fromarray(ink).resize(size, Image.Resampling.BILINEAR), np.float32)
    margin = round(3.2 * height) + 4
    coverage = np.pad(small, ((margin // 3, margin // 3), (margin, margin)))
    first = margin // 3 + factor * _DRAWN
    if rng.random() < 0.5:
        coverage = ndimage.gaussian_filter(coverage, float(rng.uniform(*training.blur)) * height)
    rows, columns = coverage.shape
    film = _ground(rng, training, rows, columns)
    if rng.random() < training.boxed:
        pad = float(rng.uniform(0.25, 0.7)) * height
        y0, y1 = round(max(first - pad, 0)), round(first + height + pad)
        x0, x1 = round(max(margin - pad, 0)), round(columns - margin + pad)
        film[y0:y1, x0:x1] = float(rng.uniform(0, 20))
    contrast = float(rng.uniform(*training.contrast))
    flat = np.minimum(film, 255 - 0.8 * contrast)  # what is printed is not lost in white
    if rng.random() < 0.5:  # of one grey, whatever lies under it
        level = min(255.0, float(np.median(flat)) + contrast)
        film = film * (1 - coverage) + max(level, float(np.median(film)) + 45) * coverage
    else:
        film = flat + contrast * coverage
    film = film + rng.normal(0, float(rng.uniform(*training.grain)), film.shape)
    grey = np.clip(film, 0, 255).astype(np.uint8)
    if rng.random() < 0.5:
        packed = io.BytesIO()
        Image.fromarray(grey).save(packed, "JPEG", quality=int(rng.integers(*training.quality)))
        grey = np.asarray(Image.open(packed))
    around = max(2.0, 0.35 * height)
    off = rng.uniform(-0.1, 0.1, 2) * height
    box = (
        round(max(margin - around, 0)),
        round(max(first - around + off[0], 0)),
        round(columns - margin + around),
        round(min(first + height + around + off[1], rows)),
    )
    return grey, box, float(margin), factor


def _ground(rng: np.random.Generator, training: CharacterTraining, rows: int, columns: int) -> npt.NDArray[np.float64]:
    """Grey of a film: even, falling off, or of bone."""
    y, x = np.mgrid[:rows, :columns] / float(columns) - 0.5
    slope = rng.normal(0, 15, 2)
    film: npt.NDArray[np.float64] = float(rng.uniform(*training.level)) + slope[0] * x + slope[1] * y
    if rng.random() < 0.35:
        coarse = ndimage.gaussian_filter(rng.normal(size=(rows, columns)), float(rng.uniform(0.15, 0.6)) * rows / 3)
        film = film + float(rng.uniform(5, 40)) * coarse / max(float(coarse.std()), 1e-6)
    if rng.random() < 0.2:
        angle, far = rng.uniform(0, 2 * np.pi), float(rng.uniform(-0.3, 0.3))
        edge = (np.cos(angle) * x + np.sin(angle) * y - far) * columns / float(rng.uniform(2, 20))
        film = film + float(rng.uniform(20, 90)) / (1 + np.exp(-np.clip(edge, -30, 30)))
    return film

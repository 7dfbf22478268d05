"""Colours, typeface and lines of the overlays; the colours are those of the review page, too.

Lines must be seen on black and on bright bone. No one colour has a contrast of 3:1 (WCAG 2.2, 1.4.11) to both and to
its neighbours, so every line has a black casing: each colour stands at 9:1 and more to black, and where two colours do
that, one of them has 3:1 to any background (W3C technique C40). Axes that lie side by side differ in lightness too, and
for red, green and blue blind readers; the tag at an axis's end names the bone without any colour.
"""

from __future__ import annotations

import re
from functools import lru_cache

import numpy as np
from PIL import ImageDraw, ImageFont

from raysplay.infer.records import FloatArray

Colour = tuple[int, int, int]
Box = tuple[float, float, float, float]
"""Left, top, right, bottom."""

CASING: Colour = (0, 0, 0)
GROUND: Colour = (24, 27, 31)
TEXT: Colour = (232, 229, 222)
QUIET: Colour = (168, 170, 170)
RULE: Colour = (62, 66, 71)
DOUBT: Colour = (240, 158, 84)
ACCEPTED: Colour = (126, 199, 178)
ARC: Colour = (255, 255, 255)

AXIS: dict[str, Colour] = {
    "M1": (64, 205, 158),
    "M2": (250, 238, 110),
    "M3": (240, 190, 160),
    "M4": (110, 178, 255),
    "M5": (205, 255, 160),
    "PP": (255, 206, 244),
    "DP": (200, 150, 255),
}

_FONTS: dict[int, ImageFont.FreeTypeFont | ImageFont.ImageFont] = {}


def axis_colour(bone: str) -> Colour:
    """Colour of a bone's axis and of the points that carry it."""
    return AXIS.get(bone, TEXT)


def css_colour(colour: Colour) -> str:
    """A colour as style sheets write it: ``#40cd9e``. The review page takes its colours on the film from here."""
    return "#" + bytes(colour).hex()


def font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """The built-in typeface."""
    if size not in _FONTS:
        _FONTS[size] = ImageFont.load_default(size)
    return _FONTS[size]


def printable(text: str) -> str:
    """The built-in typeface has few letters beyond ASCII; a visible escape is better than an empty box."""
    return text.encode("ascii", "backslashreplace").decode("ascii")


@lru_cache(maxsize=10_000)  # films share most of their words
def text_width(text: str, size: int) -> float:
    """Width of a line of text in pixels, minus signs as :func:`write` draws them; ``size`` in pixels, too."""
    pieces = _pieces(text)
    return sum(font(size).getlength(piece) for piece in pieces) + (len(pieces) - 1) * _minus(size)


def write(
    draw: ImageDraw.ImageDraw,
    x: float,
    y: float,
    text: str,
    size: int,
    colour: Colour,
    *,
    right: bool = False,
    halo: int = 0,
) -> None:
    """Write a line at its vertical middle ``y``, from ``x`` on or up to it.

    The typeface has no minus sign but a short hyphen, which a reader may miss, or take for part of a name like
    "IMA 4-5"; so a minus before a number is drawn.
    """
    if right:
        x -= text_width(text, size)
    for i, piece in enumerate(_pieces(text)):
        if i:
            wide = _minus(size)
            draw.line((x + 0.12 * wide, y + 1, x + 0.86 * wide, y + 1), fill=colour, width=max(2, size // 11))
            x += wide
        draw.text((x, y), piece, colour, font(size), "lm", stroke_width=halo, stroke_fill=CASING)
        x += font(size).getlength(piece)


def wrapped(text: str, size: int, width: float) -> list[str]:
    """Lines of at most ``width`` pixels; a word that is longer is broken."""
    lines = [""]
    for word in text.split():
        for piece in _broken(word, size, width):
            longer = f"{lines[-1]} {piece}".strip()
            if lines[-1] and text_width(longer, size) > width:
                lines.append(piece)
            else:
                lines[-1] = longer
    return lines


def cased_line(
    draw: ImageDraw.ImageDraw, points: FloatArray, colour: Colour, width: float, *, scale: int, dash: float = 0.0
) -> None:
    """A line with its casing.

    Parameters
    ----------
    draw : ImageDraw
        Of a picture that is ``scale`` times larger than the points' frame.
    points : ndarray, shape (N, 2)
    colour : (int, int, int)
    width : float
        Of the line in pixels of the points' frame; the casing adds 1.5 on either side.
    scale : int
    dash : float
        Length of a dash and of the gap after it; 0 for a whole line, else only the ends of ``points`` count.
    """
    strokes = _dashes(points, dash) if dash else [points]
    for shade, thick in ((CASING, width + 3.0), (colour, width)):
        for stroke in strokes:
            draw.line([xy(p * scale) for p in stroke], fill=(*shade, 255), width=round(thick * scale), joint="curve")


def xy(point: FloatArray) -> tuple[float, float]:
    """A point, shape (2,), as Pillow takes it."""
    return float(point[0]), float(point[1])


def _minus(size: int) -> float:
    return 0.6 * size


def _pieces(text: str) -> list[str]:
    """Text between the minus signs: hyphens before a number, at the start or after a space."""
    return re.split(r"(?<![^\s])-(?=\d)", text)


def _broken(word: str, size: int, width: float) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and text_width(pieces[-1] + letter, size) > width:
            pieces.append("")
        pieces[-1] += letter
    return pieces


def _dashes(points: FloatArray, dash: float) -> list[FloatArray]:
    start, end = points[0], points[-1]
    length = float(np.linalg.norm(end - start))
    along = (end - start) / max(length, 1e-9)
    begins = np.arange(0.0, length, 2.0 * dash)
    return [np.stack([start + b * along, start + min(b + dash, length) * along]) for b in begins]

"""One picture a foot: the film with axes, angles and doubtful points, beside what was read from it."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from raysplay.infer.decide.wording import number
from raysplay.infer.films.film import Film
from raysplay.infer.outputs.axis_lines import AxisLine, axis_lines, crossing
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.records import FloatArray, FootRecord, FoundFoot, Measurement, Outcome
from raysplay.infer.settings import reading_settings
from raysplay.measure import by_name
from raysplay.measure.schema import LandmarkSchema

CAUTION = "A person confirms every number used in care."

_PICTURE = 1000
"""Longer side of the film part, pixels."""
_PANEL = 400
_EDGE = 24
_MARGIN = 0.12
"""Film shown around the outermost landmarks, as part of their extent."""
_SMOOTH = 2
"""Lines are drawn this many times larger and reduced, since Pillow draws hard edges."""

_GROUND = (24, 27, 31)
_TEXT = (232, 229, 222)
_QUIET = (158, 160, 160)
_RULE = (62, 66, 71)
_DOUBT = (240, 158, 84)
_POINT = (232, 229, 222)
_AXIS = {
    "M1": (126, 199, 178),
    "PP": (205, 180, 226),
    "DP": (233, 160, 178),
    "M2": (228, 205, 142),
    "M4": (151, 190, 228),
    "M5": (133, 161, 214),
}
_BONE = {
    "M1": "first metatarsal",
    "PP": "proximal phalanx, great toe",
    "DP": "distal phalanx, great toe",
    "M2": "second metatarsal",
    "M4": "fourth metatarsal",
    "M5": "fifth metatarsal",
}
_SIDE = {"L": "Left foot", "R": "Right foot"}

Colour = tuple[int, int, int]
Point = tuple[float, float]


@dataclass(frozen=True)
class _Window:
    """Part of the film that is shown: film pixels to picture pixels."""

    left: float
    top: float
    width: int
    height: int
    scale_x: float
    scale_y: float

    def place(self, points: FloatArray) -> FloatArray:
        # A pixel's centre is at an integer on the film, at a half in a picture whose corner is 0.
        shown: FloatArray = (points + 0.5 - [self.left, self.top]) * [self.scale_x, self.scale_y]
        return shown


def draw_overlay(
    film: Film, name: str, foot: FootRecord, schema: LandmarkSchema, doubtful: Collection[int] = ()
) -> Image.Image:
    """Draw one foot.

    The film keeps the orientation it has in its file: a picture that turned or mirrored it could pass for the
    other foot.

    Parameters
    ----------
    film : Film
    name : str
        Name of the film as the tables have it.
    foot : FootRecord
        A refused foot is shown on the whole film, with the outline of its crop and no axes.
    schema : LandmarkSchema
    doubtful : collection of int
        Indices of the points to mark as doubtful.

    Returns
    -------
    PIL.Image.Image
        RGB, a panel of text right of the picture.
    """
    drawn = output_settings().overlay.measures
    foot = replace(foot, measurements=tuple(m for m in foot.measurements if m.measure in drawn))
    points = np.asarray(foot.landmarks.points, dtype=float)
    measured = foot.decision.outcome is not Outcome.REFUSED and bool(np.isfinite(points).any())
    window = _window(film, points if measured else None)
    picture = _film_part(film, window).convert("RGB")
    if measured:
        shown = window.place(points)
        layer = Image.new("RGBA", (picture.width * _SMOOTH, picture.height * _SMOOTH), (0, 0, 0, 0))
        draw = ImageDraw.Draw(layer)
        _lines(draw, shown, foot.measurements, schema)
        _points(draw, shown, foot.measurements, schema, frozenset(doubtful))
        smooth = layer.reduce(_SMOOTH)
        picture.paste(smooth, (0, 0), smooth)
        _labels(picture, shown, foot.measurements, schema)
    else:
        _frame(picture, window, foot.landmarks.foot)
    panel = _panel(name, foot, schema, measured, bool(doubtful), window.height)
    sheet = Image.new("RGB", (window.width + panel.width, max(window.height, panel.height)), _GROUND)
    sheet.paste(picture, (0, 0))
    sheet.paste(panel, (window.width, 0))
    return sheet


def _window(film: Film, points: FloatArray | None) -> _Window:
    rows, columns = film.pixels.shape
    left, top, right, bottom = 0.0, 0.0, float(columns), float(rows)
    if points is not None:
        low, high = np.nanmin(points, axis=0), np.nanmax(points, axis=0)
        extra = _MARGIN * float(max(high - low))
        wanted = np.floor(low - extra), np.ceil(high + extra)
        left, top = (float(max(0.0, v)) for v in wanted[0])
        right, bottom = min(right, float(wanted[1][0])), min(bottom, float(wanted[1][1]))
        if right - left < 2 or bottom - top < 2:  # all points off the film: show all of it
            left, top, right, bottom = 0.0, 0.0, float(columns), float(rows)
    aspect = film.spacing.aspect
    scale = _PICTURE / max(right - left, (bottom - top) * aspect)
    width, height = (max(1, round(v * scale)) for v in (right - left, (bottom - top) * aspect))
    return _Window(left, top, width, height, width / (right - left), height / (bottom - top))


def _film_part(film: Film, window: _Window) -> Image.Image:
    x, y = int(window.left), int(window.top)
    part = film.pixels[y : y + round(window.height / window.scale_y), x : x + round(window.width / window.scale_x)]
    dark, bright = np.percentile(part[:: max(1, part.shape[0] // 500), :: max(1, part.shape[1] // 500)], (1, 99.7))
    grey = np.clip((part - dark) / max(float(bright - dark), 1e-6), 0.0, 1.0)
    filter_ = Image.Resampling.LANCZOS if window.scale_x < 1 else Image.Resampling.BICUBIC
    return Image.fromarray((grey * 255).astype(np.uint8)).resize((window.width, window.height), filter_)


def _angles(
    measurements: Collection[Measurement], schema: LandmarkSchema, shown: FloatArray
) -> Iterator[tuple[Measurement, AxisLine, AxisLine]]:
    """Measures that have a value and lie between two axes."""
    for one in measurements:
        lines = axis_lines(by_name(one.measure, one.construction), schema, shown)
        if np.isfinite(one.value) and len(lines) == 2:
            yield one, lines[0], lines[1]


def _arc(first: AxisLine, second: AxisLine) -> FloatArray:
    """Points of the arc from the first to the second line at the middle of the second; a chord"""
    centre = crossing(first, second)
    if centre is None:
        return np.stack([first.middle, second.middle])
    reach = float((second.middle - centre) @ second.direction)
    start, end = (np.arctan2(*((np.sign(reach) or 1.0) * line.direction)[::-1]) for line in (first, second))
    turn = (end - start + np.pi) % (2 * np.pi) - np.pi
    angles = start + turn * np.linspace(0.0, 1.0, 48)
    arc: FloatArray = centre + abs(reach) * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return arc


def _lines(
    draw: ImageDraw.ImageDraw, shown: FloatArray, measurements: tuple[Measurement, ...], schema: LandmarkSchema
) -> None:
    drawn: set[str] = set()
    for _, first, second in _angles(measurements, schema, shown):
        arc = _arc(first, second)
        # The first axis runs on to where the arc meets it.
        _line(draw, np.stack([first.distal, arc[0]]), (*_AXIS.get(first.bone, _TEXT), 130), 2)
        _line(draw, arc, (*_TEXT, 210), 2)
        for axis in (first, second):
            if axis.bone not in drawn:
                drawn.add(axis.bone)
                overhang = 0.3 * axis.length * axis.direction
                ends = np.stack([axis.proximal - overhang, axis.distal + overhang])
                _line(draw, ends, (0, 0, 0, 120), 6)
                _line(draw, ends, (*_AXIS.get(axis.bone, _TEXT), 255), 3)


def _line(draw: ImageDraw.ImageDraw, points: FloatArray, colour: tuple[int, ...], width: int) -> None:
    draw.line([_xy(p * _SMOOTH) for p in points], fill=colour, width=width * _SMOOTH, joint="curve")


def _points(
    draw: ImageDraw.ImageDraw,
    shown: FloatArray,
    measurements: tuple[Measurement, ...],
    schema: LandmarkSchema,
    doubtful: frozenset[int],
) -> None:
    """Used points as discs, doubtful ones as crossed diamonds: told apart without colour too."""
    used = {schema.index(code) for one in measurements for code in by_name(one.measure, one.construction).landmarks}
    for i, point in enumerate(shown):
        if np.isfinite(point).all() and i in used and i not in doubtful:
            _disc(draw, point * _SMOOTH, 4 * _SMOOTH)
    for i in sorted(doubtful):
        if np.isfinite(shown[i]).all():
            _diamond(draw, shown[i] * _SMOOTH, 11 * _SMOOTH, 2 * _SMOOTH)


def _disc(draw: ImageDraw.ImageDraw, at: FloatArray, radius: float) -> None:
    x, y = at
    draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=_POINT, outline=_GROUND, width=2)


def _diamond(draw: ImageDraw.ImageDraw, at: FloatArray, radius: float, width: int) -> None:
    x, y = at
    corners = [(x, y - radius), (x + radius, y), (x, y + radius), (x - radius, y), (x, y - radius)]
    for colour, thick in ((_GROUND, width * 2), (_DOUBT, width)):
        draw.line(corners, fill=colour, width=thick, joint="curve")
        draw.line(((x - radius / 2, y), (x + radius / 2, y)), fill=colour, width=thick)
        draw.line(((x, y - radius / 2), (x, y + radius / 2)), fill=colour, width=thick)


def _frame(picture: Image.Image, window: _Window, foot: FoundFoot) -> None:
    """Outline of the crop, so that a refused foot can be told from its neighbour."""
    rows, columns = reading_settings().crop_size
    corners = np.array([[0, 0, 1], [columns, 0, 1], [columns, rows, 1], [0, rows, 1], [0, 0, 1]], dtype=float)
    on_film = corners @ np.asarray(foot.film_from_crop).T
    shown = window.place(on_film[:, :2] / on_film[:, 2:])
    draw = ImageDraw.Draw(picture)
    for colour, thick in ((_GROUND, 5), (_QUIET, 2)):
        draw.line([_xy(point) for point in shown], fill=colour, width=thick)


def _labels(
    picture: Image.Image, shown: FloatArray, measurements: tuple[Measurement, ...], schema: LandmarkSchema
) -> None:
    draw = ImageDraw.Draw(picture)
    font = _font(22)
    taken: list[tuple[float, float, float, float]] = []
    for one, first, second in _angles(measurements, schema, shown):
        text = f"{by_name(one.measure).abbreviation} {number(one.value, one.unit)}{_sign(one.unit)}"
        # Beside the second axis, away from the first, so that the label hides neither.
        arc = _arc(first, second)
        x, y = arc[-1]
        width, height = draw.textlength(text, font=font) + 16, 32.0
        rightward = arc[-1][0] >= arc[0][0]
        x = x + 16 if rightward else x - width - 16
        if not 0 <= x <= picture.width - width:
            x, y = arc[0]
            x = x - width - 16 if rightward else x + 16
        box = _free_box(x, y - height / 2, width, height, picture.size, taken)
        taken.append(box)
        draw.rounded_rectangle(box, radius=6, fill=_GROUND, outline=_RULE)
        draw.text((box[0] + 8, box[1] + height / 2), text, font=font, fill=_TEXT, anchor="lm")


def _free_box(
    x: float,
    y: float,
    width: float,
    height: float,
    size: tuple[int, int],
    taken: list[tuple[float, float, float, float]],
) -> tuple[float, float, float, float]:
    """A box near the wanted place that stays in the picture and off the boxes already there."""
    x = min(max(x, 4.0), size[0] - width - 4.0)
    steps = [0.0] + [sign * k * (height + 4) for k in range(1, 12) for sign in (1, -1)]
    for step in steps:
        top = min(max(y + step, 4.0), size[1] - height - 4.0)
        box = (x, top, x + width, top + height)
        if not any(box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken):
            break
    return box


def _panel(
    name: str, foot: FootRecord, schema: LandmarkSchema, measured: bool, doubtful: bool, least: int
) -> Image.Image:
    panel = Image.new("RGB", (_PANEL, 4000), _GROUND)
    draw = ImageDraw.Draw(panel)
    right = _PANEL - _EDGE
    y = float(_EDGE)
    for line in _wrapped(_ascii(name), 17, keep=2):
        draw.text((_EDGE, y), line, font=_font(17), fill=_QUIET)
        y += 23
    draw.text((_EDGE, y + 4), _SIDE.get(foot.landmarks.foot.side, "Foot"), font=_font(28), fill=_TEXT)
    y += 46
    y = _outcome(draw, foot.decision.outcome, y) + 10
    if measured:
        y = _rule(draw, y)
        for one in foot.measurements:
            _measure_row(draw, one, y, right)
            y += 34
        for words in ("value with its 90 % interval", *_constructions(foot.measurements)):
            for line in _wrapped(words, 15):
                draw.text((_EDGE, y + 2), line, font=_font(15), fill=_QUIET)
                y += 21
        y += 9
    if foot.decision.reasons:
        y = _rule(draw, y)
        for reason in foot.decision.reasons:
            for line in _wrapped(_ascii(reason), 17):
                draw.text((_EDGE, y), line, font=_font(17), fill=_TEXT)
                y += 23
            y += 7
    if measured:
        y = _rule(draw, y)
        y = _legend(draw, foot.measurements, schema, doubtful, y)
    y = _rule(draw, y)
    for line in _wrapped(CAUTION, 17):
        draw.text((_EDGE, y), line, font=_font(17), fill=_TEXT)
        y += 23
    return panel.crop((0, 0, _PANEL, max(least, int(y) + _EDGE)))


def _constructions(measurements: Collection[Measurement]) -> list[str]:
    """A line for each construction of the measures shown, with their names where there are several."""
    names: dict[str, list[str]] = {}
    for one in measurements:
        names.setdefault(one.construction, []).append(by_name(one.measure).abbreviation)
    if len(names) == 1:
        return [f"axes: {next(iter(names))}"]
    return [f"axes of {', '.join(of)}: {construction}" for construction, of in names.items()]


def _outcome(draw: ImageDraw.ImageDraw, outcome: Outcome, y: float) -> float:
    """The decision as a word and a shape: disc accepted, diamond review, square refused."""
    x, middle, r = float(_EDGE), y + 14, 8.0
    if outcome is Outcome.ACCEPTED:
        draw.ellipse((x, middle - r, x + 2 * r, middle + r), outline=_AXIS["M1"], width=4)
    elif outcome is Outcome.REVIEW:
        corners = [(x + r, middle - r - 1), (x + 2 * r + 1, middle), (x + r, middle + r + 1), (x - 1, middle)]
        draw.polygon(corners, outline=_DOUBT, width=3)
    else:
        draw.rectangle((x, middle - r, x + 2 * r, middle + r), fill=_QUIET)
    draw.text((x + 28, middle), outcome.value, font=_font(24), fill=_TEXT, anchor="lm")
    return y + 32


def _measure_row(draw: ImageDraw.ImageDraw, one: Measurement, y: float, right: int) -> None:
    draw.text((_EDGE, y), by_name(one.measure).abbreviation, font=_font(22), fill=_TEXT)
    if not np.isfinite(one.value):
        draw.text((right, y), "withheld", font=_font(20), fill=_QUIET, anchor="ra")
        return
    draw.text((200, y), f"{number(one.value, one.unit)}{_sign(one.unit)}", font=_font(22), fill=_TEXT, anchor="ra")
    interval = f"{number(one.low, one.unit)} to {number(one.high, one.unit)}"
    draw.text((right, y + 2), interval, font=_font(20), fill=_QUIET, anchor="ra")


def _legend(
    draw: ImageDraw.ImageDraw,
    measurements: tuple[Measurement, ...],
    schema: LandmarkSchema,
    doubtful: bool,
    y: float,
) -> float:
    blank = np.zeros((len(schema), 2))
    bones = dict.fromkeys(
        line.bone
        for one in measurements
        if np.isfinite(one.value)
        for line in axis_lines(by_name(one.measure, one.construction), schema, blank)
    )
    for bone in bones:
        draw.line(((_EDGE, y + 11), (_EDGE + 34, y + 11)), fill=_AXIS.get(bone, _TEXT), width=4)
        draw.text((_EDGE + 46, y), _BONE.get(bone, bone), font=_font(17), fill=_QUIET)
        y += 25
    if doubtful:
        _diamond(draw, np.array([_EDGE + 17.0, y + 12]), 10, 2)
        draw.text((_EDGE + 46, y), "doubtful point", font=_font(17), fill=_QUIET)
        y += 29
    return y + 4


def _rule(draw: ImageDraw.ImageDraw, y: float) -> float:
    draw.line(((_EDGE, y + 6), (_PANEL - _EDGE, y + 6)), fill=_RULE, width=1)
    return y + 20


def _wrapped(text: str, size: int, keep: int | None = None) -> list[str]:
    """Lines that fit the panel; with ``keep``, the end of a long text, since a path differs there."""
    per_line = int((_PANEL - 2 * _EDGE) / (size * 0.51))
    lines = textwrap.wrap(text, per_line) or [""]
    if keep is not None and len(lines) > keep:
        lines = textwrap.wrap("..." + text[-(per_line * keep - 6) :], per_line)[:keep]
    return lines


def _ascii(text: str) -> str:
    """The built-in typeface has few letters beyond ASCII; a visible escape is better than an empty box."""
    return text.encode("ascii", "backslashreplace").decode("ascii")


def _sign(unit: str) -> str:
    return "°" if unit == "deg" else f" {unit}"


def _xy(point: FloatArray) -> Point:
    return float(point[0]), float(point[1])


_FONTS: dict[int, ImageFont.FreeTypeFont | ImageFont.ImageFont] = {}


def _font(size: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    if size not in _FONTS:
        _FONTS[size] = ImageFont.load_default(size)
    return _FONTS[size]

"""One picture a foot: the film with axes, angles and doubtful points, beside what was read from it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw

from raysplay.infer.films.burnt_in_text import without_text
from raysplay.infer.films.film import Film
from raysplay.infer.outputs.angle_arcs import AngleArc, DrawnAxis, angle_arcs, drawn_axes, interval_band
from raysplay.infer.outputs.axis_lines import bone_of
from raysplay.infer.outputs.label_places import Ground, Named, Placed, place_labels, place_tags
from raysplay.infer.outputs.overlay_panel import draw_diamond, panel, value_words
from raysplay.infer.outputs.overlay_style import (
    ARC,
    CASING,
    GROUND,
    QUIET,
    TEXT,
    Box,
    axis_colour,
    cased_line,
    text_width,
    write,
    xy,
)
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.records import FloatArray, FootRecord, FoundFoot, Measurement, Outcome
from raysplay.infer.settings import reading_settings
from raysplay.measure import by_name
from raysplay.measure.schema import LandmarkSchema

_PICTURE = 1000
"""Longer side of the film part, pixels."""
_BESIDE = 150
"""Pixels of the picture left and right of the outermost landmarks, so that labels have room off the bones: film where
there is any, else ground."""
_MARGIN = 0.12
"""Film shown around the outermost landmarks, as part of their extent."""
_SMOOTH = 2
"""Lines are drawn this many times larger and reduced, since Pillow draws hard edges."""

_RING, _DIAMOND = 5.0, 11.0
"""Radius of a used point, and of a doubtful one."""
_BAR = 9.0
"""Half of a bar at an end of an interval."""
_BAND_LEAST = 8.0
"""Pixels between both bars: what is narrower shows as one blot on the arc's end."""
_LABEL, _TAG = 22, 17
"""Sizes of type."""
_LABEL_HEIGHT, _TAG_HEIGHT = 32.0, 20.0


@dataclass(frozen=True)
class _Window:
    """Part of the film that is shown: film pixels to picture pixels.

    ``bones`` is the part between the outermost landmarks, left, top, right and bottom on the film; ``ground`` is what
    is added left and right of the film, in pixels of the picture.
    """

    left: float
    top: float
    width: int
    height: int
    scale_x: float
    scale_y: float
    bones: tuple[float, float, float, float]
    ground: tuple[int, int]

    def place(self, points: FloatArray) -> FloatArray:
        # A pixel's centre is at an integer on the film, at a half in a picture whose corner is 0.
        shown: FloatArray = (points + 0.5 - [self.left, self.top]) * [self.scale_x, self.scale_y] + [self.ground[0], 0]
        return shown


@dataclass(frozen=True)
class Layout:
    """What is drawn where, in pixels of the picture.

    Attributes
    ----------
    axes : tuple of DrawnAxis
    arcs : tuple of AngleArc
    used : tuple of (str, ndarray of shape (2,))
        Points that carry what is shown, each with its bone.
    doubtful : tuple of ndarray of shape (2,)
    tags : tuple of Box
        Of the names of the axes, in their order.
    labels : tuple of Placed
        Of the angles, in the order of the arcs.
    """

    axes: tuple[DrawnAxis, ...]
    arcs: tuple[AngleArc, ...]
    used: tuple[tuple[str, FloatArray], ...]
    doubtful: tuple[FloatArray, ...]
    tags: tuple[Box, ...]
    labels: tuple[Placed, ...]


def draw_overlay(
    film: Film,
    name: str,
    foot: FootRecord,
    schema: LandmarkSchema,
    doubtful: Collection[int] = (),
    *,
    level: float,
    measures: Collection[str] | None = None,
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
    level : float
        Of the intervals, 0 to 1.
    measures : collection of str, optional
        Names of those that are drawn; the configured ones by default.

    Returns
    -------
    PIL.Image.Image
        RGB, a panel of text right of the picture.
    """
    drawn = output_settings().overlay.measures if measures is None else measures
    foot = replace(foot, measurements=tuple(m for m in foot.measurements if m.measure in drawn))
    points = np.asarray(foot.landmarks.points, dtype=float)
    measured = foot.decision.outcome is not Outcome.REFUSED and bool(np.isfinite(points).any())
    window = _window(film, points if measured else None)
    grey = _film_part(film, window)
    picture = Image.fromarray(without_text(grey, film, window.place)).convert("RGB")
    _ground(picture, window)
    laid = None
    if measured:
        laid = lay_out(window.place(points), foot.measurements, schema, frozenset(doubtful), grey)
        # With colours as shares of what covers, as reducing needs them: else Pillow would turn all of it over and back.
        layer = Image.new("RGBa", (picture.width * _SMOOTH, picture.height * _SMOOTH), (0, 0, 0, 0))
        draw = ImageDraw.Draw(layer)
        _lines(draw, laid)
        _points(draw, laid)
        smooth = layer.reduce(_SMOOTH).convert("RGBA")
        picture.paste(smooth, (0, 0), smooth)
        _words(picture, laid)
    else:
        _frame(picture, window, foot.landmarks.foot)
    beside = panel(name, foot, None if laid is None else laid.axes, bool(doubtful), level, picture.height)
    sheet = Image.new("RGB", (picture.width + beside.width, max(picture.height, beside.height)), GROUND)
    sheet.paste(picture, (0, 0))
    sheet.paste(beside, (picture.width, 0))
    return sheet


def lay_out(
    shown: FloatArray,
    measurements: Collection[Measurement],
    schema: LandmarkSchema,
    doubtful: Collection[int],
    grey: npt.NDArray[np.uint8],
) -> Layout:
    """Lay lines, arcs, tags and labels over a picture.

    Parameters
    ----------
    shown : ndarray, shape (L, 2)
        Landmarks in the picture; ``nan`` where not placed.
    measurements : collection of Measurement
        In the order in which their labels find a place.
    schema : LandmarkSchema
    doubtful : collection of int
        Indices of the landmarks to mark as doubtful.
    grey : ndarray of uint8, shape (H, W)
        The picture.

    Returns
    -------
    Layout
        In pixels of the picture.
    """
    height, width = grey.shape
    used = {
        index: code
        for one in measurements
        for code in by_name(one.measure, one.construction).landmarks
        if (index := schema.index(code)) not in doubtful and np.isfinite(shown[index]).all()
    }
    unsure = [shown[i] for i in sorted(doubtful) if np.isfinite(shown[i]).all()]
    rings = [(shown[i], _RING) for i in used]
    marks = rings + [(at, _DIAMOND) for at in unsure]
    axes = drawn_axes(measurements, schema, shown)
    avoid = np.array([at for at, _ in marks]).reshape(-1, 2)
    arcs = angle_arcs(measurements, schema, shown, axes, avoid, (width, height))
    lines = [axis.ends for axis in axes] + [arc.points for arc in arcs]
    lines += [line for arc in arcs for _, line in arc.extensions]
    lines += [head for arc in arcs if arc.small for head in _heads(arc)]
    sizes = [(axis.ends, text_width(axis.tag, _TAG) + 6, _TAG_HEIGHT) for axis in axes]
    ground = Ground(lines, marks, grey)
    tags = place_tags(sizes, ground)
    named = [Named(arc.points, _label_width(arc.measurement), _LABEL_HEIGHT, arc.centre) for arc in arcs]
    labels = place_labels(named, tags, ground)
    return Layout(
        tuple(axes),
        tuple(arcs),
        tuple((bone_of(code), shown[i]) for i, code in used.items()),
        tuple(unsure),
        tuple(tags),
        tuple(labels),
    )


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
    ground, bones = (0, 0), (left, top, right, bottom)
    if points is not None and left <= high[0] and low[0] <= right:
        bones = max(left, low[0]), max(top, low[1]), min(right, high[0]), min(bottom, high[1])
        wanted_left, wanted_right = float(low[0]) - _BESIDE / scale, float(high[0]) + _BESIDE / scale
        left, right = max(0.0, min(left, np.floor(wanted_left))), min(columns, max(right, np.ceil(wanted_right)))
        ground = max(0, round((left - wanted_left) * scale)), max(0, round((wanted_right - right) * scale))
    width, height = (max(1, round(v * scale)) for v in (right - left, (bottom - top) * aspect))
    return _Window(left, top, width, height, width / (right - left), height / (bottom - top), bones, ground)


def _film_part(film: Film, window: _Window) -> npt.NDArray[np.uint8]:
    """The shown part in grey, with black where its ground will be."""
    x, y = int(window.left), int(window.top)
    part = film.pixels[y : y + round(window.height / window.scale_y), x : x + round(window.width / window.scale_x)]
    # By the bones, so that letters beside the foot, or the film's edge, do not take the contrast away.
    left, top, right, bottom = (int(v) for v in window.bones)
    foot = film.pixels[top : bottom + 1, left : right + 1]
    dark, bright = np.percentile(foot[:: max(1, foot.shape[0] // 500), :: max(1, foot.shape[1] // 500)], (1, 99.7))
    stretch = np.float32(255.0 / max(float(bright - dark), 1e-6))
    grey = part * stretch
    grey -= np.float32(dark) * stretch
    np.clip(grey, 0.0, 255.0, out=grey)
    filter_ = Image.Resampling.LANCZOS if window.scale_x < 1 else Image.Resampling.BICUBIC
    shown = Image.fromarray(grey.astype(np.uint8)).resize((window.width, window.height), filter_)
    return np.pad(np.asarray(shown), ((0, 0), window.ground))


def _ground(picture: Image.Image, window: _Window) -> None:
    """Colour what is beside the film as the panel is, so that nobody takes it for film."""
    left = window.ground[0]
    picture.paste(GROUND, (0, 0, left, picture.height))
    picture.paste(GROUND, (left + window.width, 0, picture.width, picture.height))


def _lines(draw: ImageDraw.ImageDraw, laid: Layout) -> None:
    for arc in laid.arcs:
        for bone, line in arc.extensions:
            cased_line(draw, line, axis_colour(bone), 1.5, scale=_SMOOTH, dash=9.0)
    for axis in laid.axes:
        cased_line(draw, axis.ends, axis_colour(axis.axis.bone), 2.5, scale=_SMOOTH)
    for arc in laid.arcs:
        for line in _ends_of_interval(arc):
            cased_line(draw, line, ARC, 1.5, scale=_SMOOTH)
        cased_line(draw, arc.points, ARC, 2.5, scale=_SMOOTH)
        for line in _heads(arc) if arc.small else ():
            cased_line(draw, line, ARC, 2.0, scale=_SMOOTH)
    for placed in laid.labels:
        if placed.leader is not None:
            cased_line(draw, placed.leader, ARC, 1.0, scale=_SMOOTH)
            _dot(draw, placed.leader[1], 3.0)


def _ends_of_interval(arc: AngleArc) -> list[FloatArray]:
    """The circle between both ends of the interval, and a bar across each; none where these would touch."""
    band = interval_band(arc)
    if band is None or arc.centre is None or np.linalg.norm(band[-1] - band[0]) < _BAND_LEAST:
        return []
    bars = []
    for end in (band[0], band[-1]):
        outward = (end - arc.centre) / max(float(np.linalg.norm(end - arc.centre)), 1e-9)
        bars.append(np.stack([end - _BAR * outward, end + _BAR * outward]))
    return [band, *bars]


def _heads(arc: AngleArc) -> list[FloatArray]:
    """The arc run on to both sides, with heads that point inward, as drawings show a width too small for its arrows."""
    heads = []
    for end, before in ((arc.points[0], arc.points[1]), (arc.points[-1], arc.points[-2])):
        outward = (end - before) / max(float(np.linalg.norm(end - before)), 1e-9)
        across = np.array([-outward[1], outward[0]])
        heads.append(np.stack([end, end + 22.0 * outward]))
        heads.append(np.stack([end + 8.0 * outward + 5.0 * across, end, end + 8.0 * outward - 5.0 * across]))
    return heads


def _dot(draw: ImageDraw.ImageDraw, at: FloatArray, radius: float) -> None:
    for colour, r in ((CASING, radius + 1.5), (ARC, radius)):
        (left, top), (right, bottom) = xy((at - r) * _SMOOTH), xy((at + r) * _SMOOTH)
        draw.ellipse((left, top, right, bottom), fill=(*colour, 255))


def _points(draw: ImageDraw.ImageDraw, laid: Layout) -> None:
    """Used points as rings, so that the edge they mark stays to be seen; doubtful ones as crossed diamonds."""
    for bone, at in laid.used:
        for colour, r, thick in ((CASING, _RING + 1.5, 5.0), (axis_colour(bone), _RING, 2.0)):
            (left, top), (right, bottom) = xy((at - r) * _SMOOTH), xy((at + r) * _SMOOTH)
            draw.ellipse((left, top, right, bottom), outline=(*colour, 255), width=round(thick * _SMOOTH))
    for at in laid.doubtful:
        draw_diamond(draw, at * _SMOOTH, _DIAMOND * _SMOOTH, 2 * _SMOOTH)


def _frame(picture: Image.Image, window: _Window, foot: FoundFoot) -> None:
    """Outline of the crop, so that a refused foot can be told from its neighbour."""
    rows, columns = reading_settings().crop_size
    corners = np.array([[0, 0, 1], [columns, 0, 1], [columns, rows, 1], [0, rows, 1], [0, 0, 1]], dtype=float)
    on_film = corners @ np.asarray(foot.film_from_crop).T
    shown = window.place(on_film[:, :2] / on_film[:, 2:])
    draw = ImageDraw.Draw(picture)
    for colour, thick in ((GROUND, 5), (QUIET, 2)):
        draw.line([xy(point) for point in shown], fill=colour, width=thick)


def _label_width(one: Measurement) -> float:
    return text_width(by_name(one.measure).abbreviation, _LABEL - 3) + text_width(value_words(one), _LABEL) + 26.0


def _words(picture: Image.Image, laid: Layout) -> None:
    draw = ImageDraw.Draw(picture)
    for axis, box in zip(laid.axes, laid.tags, strict=True):
        write(draw, box[0] + 3, (box[1] + box[3]) / 2, axis.tag, _TAG, axis_colour(axis.axis.bone), halo=2)
    for arc, placed in zip(laid.arcs, laid.labels, strict=True):
        left, top, right, bottom = placed.box
        draw.rounded_rectangle(placed.box, radius=6, fill=GROUND, outline=ARC)
        middle = (top + bottom) / 2
        write(draw, left + 8, middle, by_name(arc.measurement.measure).abbreviation, _LABEL - 3, QUIET)
        write(draw, right - 8, middle, value_words(arc.measurement), _LABEL, TEXT, right=True)

"""One drawing a measure: the invented foot, the landmarks used and what is built on them, as SVG text."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape

import numpy as np

from raysplay.measure import Measure, ang
from raysplay.measure.articular_angles import overlap
from raysplay.measure.axes import AXIS, Direction
from raysplay.measure.definition import DEGREE, axis_to_surface, between_axes, between_surfaces, surface_to_axis
from raysplay.measure.first_metatarsal_head import corner_over_radius, medial_of
from raysplay.measure.geometry import FloatArray, across, along, crossing, distal_normal, length
from raysplay.measure.metatarsal_lengths import arc_difference, quotient
from raysplay.measure.metatarsus_adductus import adjusted_angle
from raysplay.measure.sesamoid_position import beyond_cortex, centre_in_widths, lateral_share
from raysplay.train.reference_page.foot import LONG_BONES, REFERENCE_FOOT, ROUND_BONES, SESAMOIDS

_SIZE = 320.0
"""Longer side of a drawing, in pixels."""
_MARGIN = 13.0
_FIRST, _SECOND, _THIRD, _RESULT = "#1f6f8b", "#9a5b13", "#6b4c9a", "#b3261e"
_POINTS = {code: np.array(place) for code, place in REFERENCE_FOOT.items()}


def drawing(measure: Measure) -> str:
    """SVG text of one measure; the same text on every machine.

    Raises
    ------
    KeyError
        If nothing is known of how to draw the measure's function.
    """
    sheet = _Sheet()
    _PARTS[measure.function](sheet, measure)
    for code in measure.landmarks:
        sheet.landmark(code)
    value = float(measure.of(_POINTS))
    number = f"{value:.1f}°" if measure.unit == DEGREE else f"{value:.2f}" + (" mm" if measure.unit == "mm" else "")
    return sheet.text(f"{measure.abbreviation}  {number}", measure.title, measure.construction)


class _Sheet:
    """Shapes in millimetres of the foot frame, and the box that holds what matters."""

    def __init__(self) -> None:
        self._shapes: list[tuple[str, str, list[FloatArray]]] = []
        self._labels: list[tuple[str, FloatArray]] = []
        self._low = np.full(2, np.inf)
        self._high = np.full(2, -np.inf)

    def keep(self, *places: FloatArray) -> None:
        """Make sure that these places are seen."""
        self._low = np.min([self._low, *places], axis=0)
        self._high = np.max([self._high, *places], axis=0)

    def path(self, places: Sequence[FloatArray], colour: str, width: float = 1.6, dash: str = "") -> None:
        style = f'fill="none" stroke="{colour}" stroke-width="{width}"' + (
            f' stroke-dasharray="{dash}"' if dash else ""
        )
        self._shapes.append(("polyline", style, list(places)))

    def line(self, start: FloatArray, end: FloatArray, colour: str, width: float = 1.6, dash: str = "") -> None:
        self.path([start, end], colour, width, dash)

    def arrow(self, start: FloatArray, end: FloatArray, colour: str) -> None:
        """Line with a head at its end."""
        self.line(start, end, colour)
        back = _unit(start - end) * 2.6
        side = np.array([-back[1], back[0]]) * 0.5
        self._shapes.append(("polygon", f'fill="{colour}"', [end, end + back + side, end + back - side]))

    def dimension(self, start: FloatArray, end: FloatArray) -> None:
        """The length that is measured, with a stroke across each end."""
        self.keep(start, end)
        self.line(start, end, _RESULT, 2.4)
        direction = end - start
        if np.linalg.norm(direction) > 1e-6:
            side = np.array([-direction[1], direction[0]]) / np.linalg.norm(direction) * 1.8
            for place in (start, end):
                self.line(place - side, place + side, _RESULT, 1.6)

    def arc(self, centre: FloatArray, start: FloatArray, end: FloatArray, colour: str, width: float = 2.4) -> None:
        """From one place to another about a centre, the short way, with the radius of the second."""
        first, last = (np.arctan2(*(place - centre)) for place in (start, end))
        turn = (last - first + np.pi) % (2.0 * np.pi) - np.pi
        radius = float(np.linalg.norm(end - centre))
        bearings = first + turn * np.linspace(0.0, 1.0, 25)
        places = [centre + radius * np.array([np.sin(b), np.cos(b)]) for b in bearings]
        self.path(places, colour, width)
        self.keep(*places)

    def landmark(self, code: str) -> None:
        self.keep(_POINTS[code])
        self._labels.append((code, _POINTS[code]))

    def text(self, caption: str, title: str, construction: str) -> str:
        aside = max(_MARGIN, 0.22 * float((self._high - self._low).max()))  # room for the codes
        margin = np.array([aside, _MARGIN])
        low, high = self._low - margin, self._high + margin
        extent = high - low
        grow = np.maximum(0.0, 0.7 * extent.max() - extent) / 2.0  # neither side much longer than the other
        low, high = low - grow, high + grow
        scale = _SIZE / float((high - low).max())
        width, height = (high - low) * scale

        def at(place: FloatArray) -> str:
            x, y = (place[0] - low[0]) * scale, (high[1] - place[1]) * scale
            return f"{x:.1f},{y:.1f}"

        caption_height = 34
        lines = [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.0f}" height="{height + caption_height:.0f}" '
            f'viewBox="0 {-caption_height} {width:.0f} {height + caption_height:.0f}" '
            'font-family="DejaVu Sans, Verdana, sans-serif">',
            f"<title>{escape(title)}, {escape(construction)}</title>",
            f'<rect y="{-caption_height}" width="{width:.0f}" height="{height + caption_height:.0f}" fill="#fff"/>',
            f'<svg width="{width:.0f}" height="{height:.0f}">',
            '<g fill="#eceae4" stroke="#b9b4a7" stroke-width="1">',
        ]
        lines += [f'<path d="{_smooth(outline, at)}"/>' for outline in _bones()]
        lines.append('</g>\n<g fill="#d9d4c6" fill-opacity="0.75" stroke="#a59f8f" stroke-width="1">')
        lines += [f'<path d="{_smooth([np.array(place) for place in outline], at)}"/>' for outline in SESAMOIDS]
        lines.append("</g>")
        for element, style, places in self._shapes:
            lines.append(f'<{element} {style} points="{" ".join(at(place) for place in places)}"/>')
        lines += self._labelled(at, width)
        lines.append("</svg>")
        fitting = min(14.0, (width - 12.0) / (0.68 * len(caption)))
        lines.append(
            f'<text x="6" y="-18" font-size="{fitting:.1f}" font-weight="bold" fill="{_RESULT}">'
            f"{escape(caption)}</text>"
        )
        lines.append(f'<text x="6" y="-4" font-size="10" fill="#555">construction: {escape(construction)}</text>')
        lines.append("</svg>")
        return "\n".join(lines) + "\n"

    def _labelled(self, at: Callable[[FloatArray], str], width: float) -> list[str]:
        """Dots with codes; a code moves up or down until it lies on no other."""
        dots: list[str] = []
        words: list[str] = []
        taken: list[tuple[float, float, float, float]] = []
        for code, place in sorted(self._labels, key=lambda label: -label[1][1]):
            x, y = (float(number) for number in at(place).split(","))
            dots.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="2.6" fill="#222" stroke="#fff" stroke-width="0.8"/>')
            long = 6.0 * len(code)
            left = code.endswith("_med") or code.endswith("_emin") or (place[0] < -5 and not code.endswith("_lat"))
            start = x - 6 - long if left else x + 6
            start = min(max(start, 1.0), width - long - 1.0)
            anchor = f'x="{start + long:.1f}" text-anchor="end"' if left else f'x="{start:.1f}"'
            for step in (0.0, 9.0, -9.0, 18.0, -18.0, 27.0, -27.0):
                box = (start, y + step - 5, start + long, y + step + 4)
                if not any(box[0] < t[2] and t[0] < box[2] and box[1] < t[3] and t[1] < box[3] for t in taken):
                    break
            taken.append(box)
            place_of_words = f'{anchor} y="{box[1] + 8:.1f}" font-size="9"'
            for style in ('fill="none" stroke="#fff" stroke-width="2.5"', 'fill="#222"'):
                words.append(f"<text {place_of_words} {style}>{escape(code)}</text>")
        return words + dots


def _unit(v: FloatArray) -> FloatArray:
    unit: FloatArray = v / np.linalg.norm(v)
    return unit


def _ends(vector: Direction) -> tuple[FloatArray, FloatArray]:
    return vector.start.of(_POINTS), vector.end.of(_POINTS)


def _draw_line(sheet: _Sheet, vector: Direction, colour: str) -> None:
    """An axis runs past its ends and has a head; a line joins its ends."""
    start, end = _ends(vector)
    if vector.role == AXIS:
        over = 0.3 * (end - start)
        sheet.keep(start, end)
        sheet.line(start - over, start, colour, 1.2, "3 2")
        sheet.arrow(start, end + over, colour)
    else:
        sheet.keep(start, end)
        sheet.line(start, end, colour, 2.2)


def _ray(sheet: _Sheet, vector: Direction, surface: bool, colour: str) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Draw one side of an angle; a place on it, its direction and its far end."""
    _draw_line(sheet, vector, colour)
    start, end = _ends(vector)
    if not surface:
        return start, _unit(end - start), end + 0.25 * (end - start)
    middle = (start + end) / 2.0
    normal = _unit(distal_normal(end - start))
    reach = max(18.0, 0.6 * float(np.linalg.norm(end - start)))
    sheet.arrow(middle, middle + reach * normal, colour)
    corner = 2.2 * _unit(end - start)
    sheet.path([middle + corner, middle + corner + 2.2 * normal, middle + 2.2 * normal], colour, 1.0)
    sheet.keep(middle + reach * normal)
    return middle, normal, middle + 0.9 * reach * normal


def _angle(first_is_surface: bool, second_is_surface: bool) -> Callable[[_Sheet, Measure], None]:
    def draw(sheet: _Sheet, measure: Measure) -> None:
        first, second = measure.vectors[:2]
        _span(
            sheet,
            _ray(sheet, first, first_is_surface, _FIRST),
            _ray(sheet, second, second_is_surface, _SECOND),
        )

    return draw


def _span(
    sheet: _Sheet, first: tuple[FloatArray, FloatArray, FloatArray], second: tuple[FloatArray, FloatArray, FloatArray]
) -> None:
    """The arc between two sides, at the far end of the second; the first runs on to it."""
    origin, direction, end = first
    other_origin, other_direction, other_end = second
    if abs(float(ang(direction, other_direction))) < 1.0:
        return  # as good as parallel: there is no arc to see
    meeting = origin + float(crossing(direction, other_origin - origin, other_direction)) * direction
    reach = float((other_end - meeting) @ other_direction)
    if abs(reach) < 12.0:  # too near the crossing for an arc that can be seen
        reach = 16.0
    on_first = meeting + reach * direction
    nearest = end if np.linalg.norm(on_first - end) < np.linalg.norm(on_first - origin) else origin
    sheet.line(nearest, on_first, _FIRST, 1.2, "3 2")
    sheet.line(other_end, meeting + reach * other_direction, _SECOND, 1.2, "3 2")
    sheet.arc(meeting, on_first, meeting + reach * other_direction, _RESULT)


def _across(sheet: _Sheet, measure: Measure) -> None:
    """Distance of a point from a line: the line through the start, and what is measured across it."""
    line, place = measure.vectors[:2]
    _draw_line(sheet, line, _FIRST)
    _drop(sheet, line, place)


def _drop(sheet: _Sheet, line: Direction, place: Direction, colour: str = _FIRST) -> None:
    start, end = _ends(place)
    unit = _unit(line.of(_POINTS))
    foot = start + float(along(unit, end - start)) * unit
    sheet.line(start, foot + 3.0 * np.sign(float(along(unit, end - start)) or 1.0) * unit, colour, 1.2, "3 2")
    sheet.dimension(foot, end)


def _along(sheet: _Sheet, measure: Measure) -> None:
    """Distance along an axis: perpendiculars through both points, and what is measured between them."""
    line, place = measure.vectors[:2]
    _draw_line(sheet, line, _FIRST)
    start, end = _ends(place)
    unit = _unit(line.of(_POINTS))
    side = np.array([unit[1], -unit[0]])
    foot = start + float(along(unit, end - start)) * unit
    origin = line.start.of(_POINTS)
    for through in (start, end):
        lateral = [float(across(unit, p - through)) for p in (start, end, origin)]
        low, high = min(lateral) - 4.0, max(lateral) + 4.0
        sheet.line(through + low * side, through + high * side, _SECOND, 1.2, "3 2")
    sheet.dimension(start, foot)


def _length(sheet: _Sheet, measure: Measure) -> None:
    for vector in measure.vectors:
        sheet.dimension(*_ends(vector))


def _arcs(sheet: _Sheet, measure: Measure) -> None:
    axis, to_tarsal, tarsal, to_tip, to_second = measure.vectors
    _draw_line(sheet, axis, _FIRST)
    _draw_line(sheet, tarsal, _SECOND)
    start, unit = axis.start.of(_POINTS), axis.of(_POINTS)
    centre = start + float(crossing(unit, to_tarsal.of(_POINTS), tarsal.of(_POINTS))) * unit
    sheet.line(centre, start, _FIRST, 1.2, "3 2")
    tip, second = (vector.end.of(_POINTS) for vector in (to_tip, to_second))
    for place in (tip, second):
        sheet.line(centre, place, _THIRD, 1.0, "3 2")
    sheet.arc(centre, tip, centre + (second - centre), _THIRD, 1.4)
    at_tip = centre + _unit(tip - centre) * float(np.linalg.norm(second - centre))
    sheet.dimension(at_tip, tip)
    sheet.keep(centre)


def _tibial(sheet: _Sheet, measure: Measure) -> None:
    axis, centre, width = measure.vectors
    _draw_line(sheet, axis, _FIRST)
    _edges(sheet, axis, width)
    _drop(sheet, axis, centre)


def _fibular(sheet: _Sheet, measure: Measure) -> None:
    cortex, lateral, width = measure.vectors
    _draw_line(sheet, cortex, _FIRST)
    _edges(sheet, cortex, width)
    _drop(sheet, cortex, lateral)


def _edges(sheet: _Sheet, axis: Direction, width: Direction) -> None:
    """Both edges of a sesamoid, along the axis."""
    unit = _unit(axis.of(_POINTS))
    for place in _ends(width):
        sheet.line(place - 7.0 * unit, place + 7.0 * unit, _SECOND, 1.2, "3 2")


def _corner(sheet: _Sheet, measure: Measure) -> None:
    corner, radius = measure.vectors
    centre, tip = _ends(radius)
    reach = float(np.linalg.norm(tip - centre))
    bearings = np.linspace(0.0, 2.0 * np.pi, 61)
    circle = [centre + reach * np.array([np.sin(b), np.cos(b)]) for b in bearings]
    sheet.path(circle, _FIRST, 1.4)
    sheet.keep(*circle)
    sheet.line(centre, tip, _FIRST, 1.4, "3 2")
    sheet.dimension(*_ends(corner))


def _overlap(sheet: _Sheet, measure: Measure) -> None:
    metatarsal, to_medial, to_lateral = measure.vectors
    start, end = _ends(metatarsal)
    unit = _unit(end - start)
    medial, lateral = to_medial.end.of(_POINTS), to_lateral.end.of(_POINTS)
    sheet.line(start, end, _FIRST, 2.2)
    sheet.line(medial, lateral, _SECOND, 2.2)
    feet = [float(along(unit, place - start)) for place in (medial, lateral)]
    for place, foot in zip((medial, lateral), feet, strict=True):
        sheet.line(place, start + foot * unit, _SECOND, 1.2, "3 2")
    whole = float(np.linalg.norm(end - start))
    sheet.dimension(start + max(0.0, min(feet)) * unit, start + min(whole, max(feet)) * unit)


def _adjusted(sheet: _Sheet, measure: Measure) -> None:
    first, second, tarsus = measure.vectors
    _span(sheet, _ray(sheet, first, False, _FIRST), _ray(sheet, second, False, _SECOND))
    _ray(sheet, tarsus, True, _THIRD)


_PARTS: dict[Callable[..., FloatArray], Callable[[_Sheet, Measure], None]] = {
    between_axes: _angle(False, False),
    axis_to_surface: _angle(False, True),
    surface_to_axis: _angle(True, False),
    between_surfaces: _angle(True, True),
    adjusted_angle: _adjusted,
    across: _across,
    medial_of: _across,
    along: _along,
    length: _length,
    quotient: _length,
    arc_difference: _arcs,
    lateral_share: _tibial,
    centre_in_widths: _tibial,
    beyond_cortex: _fibular,
    corner_over_radius: _corner,
    overlap: _overlap,
}
"""What draws a measure, by the function that computes it."""


def _bones() -> list[list[FloatArray]]:
    """Outlines of the foot: long bones with flared ends, the others as they are listed."""
    outlines = [[np.array(place, dtype=float) for place in outline] for outline in ROUND_BONES]
    for base, tip, base_half, waist_half, head_half in LONG_BONES:
        start, end = np.array(base, dtype=float), np.array(tip, dtype=float)
        unit = _unit(end - start)
        side = np.array([unit[1], -unit[0]])
        long = float(np.linalg.norm(end - start))
        profile = [
            (0.0, 0.75 * base_half),
            (0.06, base_half),
            (0.3, waist_half),
            (0.7, waist_half),
            (0.88, head_half),
            (0.97, 0.7 * head_half),
        ]
        lateral = [start + part * long * unit + half * side for part, half in profile]
        medial = [start + part * long * unit - half * side for part, half in reversed(profile)]
        outlines.append([*lateral, end, *medial])
    return outlines


def _smooth(outline: Sequence[FloatArray], at: Callable[[FloatArray], str]) -> str:
    """Closed curve through the points (Catmull-Rom as cubic pieces)."""
    count = len(outline)
    pieces = [f"M{at(outline[0])}"]
    for i in range(count):
        before, here, after, next_but_one = (outline[(i + k) % count] for k in (-1, 0, 1, 2))
        first, second = here + (after - before) / 6.0, after - (next_but_one - here) / 6.0
        pieces.append(f"C{at(first)} {at(second)} {at(after)}")
    return " ".join([*pieces, "Z"])

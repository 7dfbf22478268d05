"""A drawing of a foot to scale from its own landmarks, beside the same foot laid at the means of normal feet.

Bones are outlines through landmarks; where a bone has few of them, its ends follow from the levels at 30 and 70 % of
its length. It shows how far bones stand from there, and is no plan of a treatment: :mod:`raysplay.measure.realigned`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.configs.protocol import ReadingProtocol
from raysplay.infer.records import FloatArray
from raysplay.infer.report.document import Picture
from raysplay.infer.report.plot import plot
from raysplay.infer.visit.foot_on_film import FootOnFilm
from raysplay.infer.visit.language import Language
from raysplay.measure import to_foot_frame
from raysplay.measure.axes import CONSTRUCTIONS, SHAFT
from raysplay.measure.realigned import realigned

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_WIDTH_MM, _HEIGHT_MM = 150.0, 105.0
_STEPS = 10
"""Places between two points of an outline."""
_BASE, _HEAD = 1.5, 1.4
"""Half widths of base and head of a bone in half widths of its shaft, where no landmark tells; only for drawing."""


@dataclass(frozen=True)
class NormalMeans:
    """Angles at which the foot is laid, degrees, with their source."""

    hva: float
    ima: float
    source: str


NORMAL = NormalMeans(11.0, 8.7, "100 asymptomatic feet, Foot Ankle Int 1996")


@dataclass(frozen=True)
class Moved:
    """How far a foot stands from the normal means.

    Attributes
    ----------
    head, edge, tip : float
        Distance of the first metatarsal's head, its inner bone edge and the tip of the toe: mm, or percent of the
        second metatarsal's length where the film's spacing gives no mm.
    hva, ima : float
        The foot's angles less the normal ones, degrees.
    millimetres : bool
    """

    head: float
    edge: float
    tip: float
    hva: float
    ima: float
    millimetres: bool


@dataclass(frozen=True)
class _Laid:
    own: FloatArray
    normal: FloatArray
    unit: float
    millimetres: bool
    hva: float
    ima: float


def moved_by(foot: FootOnFilm, protocol: ReadingProtocol) -> Moved | None:
    """How far a foot stands from the normal means; None where HVA, IMA or a landmark is withheld."""
    laid = _laid(foot, protocol)
    return None if laid is None else _moved(laid)


def _moved(laid: _Laid) -> Moved | None:
    apart = np.linalg.norm(laid.own - laid.normal, axis=1) / laid.unit
    head, edge, tip = (float(apart[landmark_schema().index(code)]) for code in ("M1_head_c", "M1_emin", "DP_tip"))
    if not all(isfinite(v) for v in (head, edge, tip)):
        return None
    return Moved(head, edge, tip, laid.hva - NORMAL.hva, laid.ima - NORMAL.ima, laid.millimetres)


def foot_picture(foot: FootOnFilm, protocol: ReadingProtocol, words: Language) -> tuple[Picture, Moved] | None:
    """The drawing, and what :func:`moved_by` gives; None where that gives nothing."""
    laid = _laid(foot, protocol)
    moved = None if laid is None else _moved(laid)
    if laid is None or moved is None:
        return None
    mirror = np.array([-1.0 if foot.side == "L" else 1.0, 1.0])
    own, normal = laid.own * mirror, laid.normal * mirror

    def paint(figure: Figure) -> None:
        left, right = figure.subplots(1, 2, sharex=True, sharey=True)
        _draw(left, own, "black", "0.93", "-")
        _ray(left, normal)
        _draw(right, normal, "black", "0.93", "-")
        for axes, points, angles, title in (
            (left, own, (laid.hva, laid.ima), words.say("drawing_own")),
            (right, normal, (NORMAL.hva, NORMAL.ima), words.say("drawing_normal")),
        ):
            _lines(axes, points)
            said = words.say("drawing_angles", hva=words.number(angles[0]), ima=words.number(angles[1]))
            axes.set_title(f"{title}\n{said}", fontsize=8)
            axes.set_aspect("equal")
            axes.set_axis_off()
        _scale(left, own, laid, words)

    picture = plot(paint, _WIDTH_MM, _HEIGHT_MM, font_size=7.5, dpi=170)
    return replace(picture, caption=words.say("drawing_caption")), moved


def _laid(foot: FootOnFilm, protocol: ReadingProtocol) -> _Laid | None:
    """Both feet, the second metatarsal upright, in mm or pixels; ``unit`` is what lengths are told in."""
    hva, ima = foot.measure("hva"), foot.measure("ima")
    if foot.unfit or not foot.frame or hva is None or ima is None:
        return None
    if not (isfinite(hva.given[0]) and isfinite(ima.given[0])) or hva.measure.construction != ima.measure.construction:
        return None
    schema, placed, film = landmark_schema(), foot.standing.placed, foot.film
    points = np.where(placed.visible[:, None], placed.points, np.nan)
    framed, _ = to_foot_frame(
        points[None], None, [foot.frame], row_mm=film.row_mm, column_mm=film.column_mm, aspect=film.aspect
    )
    base, tip = (framed[0, schema.index(code)] for code in ("M2_base_c", "M2_tip"))
    along = tip - base
    length = float(np.linalg.norm(along))
    if not (isfinite(length) and length > 0.0):
        return None
    c, s = along[1] / length, along[0] / length
    upright = (framed[0] - base) @ np.array([[c, s], [-s, c]])
    construction = hva.measure.construction if hva.measure.construction in CONSTRUCTIONS else SHAFT
    normal = realigned(upright, schema, hva=NORMAL.hva, ima=NORMAL.ima, construction=construction)
    if not np.isfinite(normal).any():
        return None
    policy = protocol.spacing_policy().get(film.spacing)
    millimetres = policy is not None and policy.millimetres and film.column_mm is not None
    unit = 1.0 if millimetres else length / 100.0
    return _Laid(upright, normal, unit, millimetres, hva.given[0], ima.given[0])


def outlines(points: FloatArray) -> Iterator[tuple[str, FloatArray]]:
    """Outlines of the bones that landmarks give, as closed lines (n, 2) by a bone's name.

    Parameters
    ----------
    points : ndarray, shape (L, 2)
        In schema order; ``nan`` where not placed. A bone that lacks a point is left out.
    """
    schema = landmark_schema()

    def at(code: str) -> FloatArray:
        place: FloatArray = points[schema.index(code)]
        return place

    def levels(bone: str) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        return at(f"{bone}p_med"), at(f"{bone}p_lat"), at(f"{bone}d_med"), at(f"{bone}d_lat")

    def shaft(bone: str, tip: FloatArray | None = None, base: FloatArray | None = None) -> FloatArray:
        p_med, p_lat, d_med, d_lat = levels(bone)
        proximal, distal = (p_med + p_lat) / 2.0, (d_med + d_lat) / 2.0
        length = (distal - proximal) / 0.4
        along = length / np.linalg.norm(length)
        across = _across(along, p_lat - p_med)
        half = (np.linalg.norm(p_lat - p_med) + np.linalg.norm(d_lat - d_med)) / 4.0
        start = proximal - 0.3 * length if base is None else base
        end = distal + 0.3 * length if tip is None else tip
        head = _HEAD * half
        neck, crown = end - 1.1 * head * along, end - 0.3 * head * along
        foot = start + 0.9 * half * along
        return np.array(
            [
                start + 0.9 * _BASE * half * across,
                start - 0.9 * _BASE * half * across,
                foot - _BASE * half * across,
                p_med,
                d_med,
                neck - head * across,
                crown - 0.8 * head * across,
                end,
                crown + 0.8 * head * across,
                neck + head * across,
                d_lat,
                p_lat,
                foot + _BASE * half * across,
            ]
        )

    first = ("M1_base_lat", "M1_base_med", "M1p_med", "M1d_med", "M1_emin", "M1_art_med", "M1_tip", "M1_art_lat")
    toe_base, toe_head, toe_tip = at("PP_head_c"), at("DP_base_c"), at("DP_tip")
    p_med, p_lat, d_med, d_lat = levels("PP")
    half = float(np.linalg.norm(d_lat - d_med)) / 2.0
    along = toe_tip - toe_head
    along = along / np.linalg.norm(along)
    across = _across(along, d_lat - d_med)
    shaft_along = (d_med + d_lat - p_med - p_lat) / 2.0
    shaft_along = shaft_along / np.linalg.norm(shaft_along)
    shaft_across = _across(shaft_along, d_lat - d_med)
    reach = float(np.linalg.norm(toe_tip - toe_head))
    last = toe_head + 0.55 * reach * along
    shapes = {
        "metatarsal_5": shaft("M5", at("M5_tip")),
        "metatarsal_4": shaft("M4", at("M4_tip")),
        "metatarsal_3": shaft("M3", at("M3_tip")),
        "metatarsal_2": shaft("M2", at("M2_tip"), at("M2_base_c")),
        "metatarsal_1": np.array([*(at(code) for code in first), at("M1d_lat"), at("M1p_lat")]),
        **{f"proximal_phalanx_{i}": shaft(f"PP{i}") for i in (2, 3, 4, 5)},
        "proximal_phalanx_1": np.array(
            [
                at("PP_art_lat"), at("PP_art_med"), p_med, d_med, toe_base - 1.15 * half * shaft_across,
                toe_base + 0.25 * half * shaft_along, toe_base + 1.15 * half * shaft_across, d_lat, p_lat,
            ]
        ),
        "distal_phalanx_1": np.array(
            [
                toe_head + 1.15 * half * across,
                toe_head - 1.15 * half * across,
                toe_head + 0.2 * reach * along - 1.0 * half * across,
                last - 0.6 * half * across,
                toe_tip - 0.15 * reach * along - 0.75 * half * across,
                toe_tip,
                toe_tip - 0.15 * reach * along + 0.75 * half * across,
                last + 0.6 * half * across,
                toe_head + 0.2 * reach * along + 1.0 * half * across,
            ]
        ),
        "medial_sesamoid": _oval(at("SES_T_med"), at("SES_T_lat")),
        "lateral_sesamoid": _oval(at("SES_F_med"), at("SES_F_lat")),
    }  # fmt: skip
    for bone, corners in shapes.items():
        if np.isfinite(corners).all():
            yield bone, _smooth(corners)


def _across(along: FloatArray, lateral: FloatArray) -> FloatArray:
    """Unit vector square to a bone's direction, on the side that ``lateral`` points to."""
    across = np.array([along[1], -along[0]])
    return -across if across @ lateral < 0.0 else across


def _oval(one: FloatArray, other: FloatArray) -> FloatArray:
    """Corners of an oval a little longer than wide, by the ends of its width."""
    middle, half = (one + other) / 2.0, (other - one) / 2.0
    up = 1.25 * np.array([-half[1], half[0]])
    angles = np.linspace(0.0, 2.0 * np.pi, 8, endpoint=False)
    return np.array([middle + np.cos(a) * half + np.sin(a) * up for a in angles])


def _smooth(corners: FloatArray) -> FloatArray:
    """A closed curve through corners: Catmull and Rom's spline (1974, from memory)."""
    before, after, second = (np.roll(corners, shift, axis=0) for shift in (1, -1, -2))
    t = (np.arange(_STEPS) / _STEPS)[None, :, None]
    p0, p1, p2, p3 = (one[:, None, :] for one in (before, corners, after, second))
    curve = 0.5 * (2 * p1 + (p2 - p0) * t + (2 * p0 - 5 * p1 + 4 * p2 - p3) * t**2 + (3 * p1 - p0 - 3 * p2 + p3) * t**3)
    closed = curve.reshape(-1, 2)
    return np.vstack([closed, closed[:1]])


def _draw(axes: Axes, points: FloatArray, edge: str, face: str, stroke: str) -> None:
    for bone, line in outlines(points):
        over = 3 if bone.endswith("sesamoid") else 2
        fill = "0.8" if bone.endswith("sesamoid") else face
        axes.fill(line[:, 0], line[:, 1], facecolor=fill, edgecolor=edge, linestyle=stroke, linewidth=0.9, zorder=over)


def _ray(axes: Axes, points: FloatArray) -> None:
    """The first ray of the laid foot, dashed over the other."""
    for bone, line in outlines(points):
        if bone in ("metatarsal_1", "proximal_phalanx_1", "distal_phalanx_1"):
            axes.plot(line[:, 0], line[:, 1], color="0.25", linestyle=(0, (3, 2)), linewidth=0.9, zorder=5)


def _lines(axes: Axes, points: FloatArray) -> None:
    """Shaft lines of first and second metatarsal and of the toe."""
    schema = landmark_schema()
    for bone, back, on in (("M1", 0.3, 0.6), ("M2", 0.3, 0.6), ("PP", 0.7, 1.3)):
        ends = [
            (points[schema.index(f"{bone}{level}_med")] + points[schema.index(f"{bone}{level}_lat")]) / 2.0
            for level in "pd"
        ]
        whole = (ends[1] - ends[0]) / 0.4
        line = np.array([ends[0] - back * whole, ends[1] + on * whole])
        axes.plot(line[:, 0], line[:, 1], color="black", linewidth=0.7, linestyle=(0, (8, 2, 1, 2)), zorder=6)


def _scale(axes: Axes, points: FloatArray, laid: _Laid, words: Language) -> None:
    low = np.nanmin(points, axis=0)
    length = 20.0 * laid.unit
    said = words.say("drawing_scale_mm") if laid.millimetres else words.say("drawing_scale_share")
    axes.plot([low[0], low[0] + length], [low[1], low[1]], color="black", linewidth=2.0)
    axes.annotate(said, (low[0], low[1]), (0, 4), textcoords="offset points", fontsize=7)

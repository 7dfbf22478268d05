"""Whole films: one or more feet laid on a plate, exposed, marked, with the truth of every foot."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import torch

from raysplay.configs import landmark_schema
from raysplay.measure import measure_values, to_foot_frame
from raysplay.measure.sides import SIDES, other_side
from raysplay.synthetic_data.anatomy.other_parts import CENTRE, OTHER_PARTS, draw_other_part, part_field
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.anatomy.rest import bone_index
from raysplay.synthetic_data.film import marks as mark
from raysplay.synthetic_data.film.aids import draw_aids
from raysplay.synthetic_data.film.carried import CARRIED, carry, choose_carried
from raysplay.synthetic_data.film.collimation import (
    Field,
    banding,
    draw_edge,
    draw_surround,
    join_exposures,
    openness,
    plate_edge,
)
from raysplay.synthetic_data.film.covered import covered_feet
from raysplay.synthetic_data.film.draws import some
from raysplay.synthetic_data.film.formation import form, join_soft
from raysplay.synthetic_data.film.look import Look, draw_looks
from raysplay.synthetic_data.film.parts import parts_path, table
from raysplay.synthetic_data.film.screen import draw_angles, move_points, photograph
from raysplay.synthetic_data.film.settings import ArchiveSettings, ConditionSettings, archive_settings
from raysplay.synthetic_data.film.wear import COARSE_MM, draw_quality, lose_resolution, spoil_display, spoil_plate
from raysplay.synthetic_data.projection.beam import project, ray_angle
from raysplay.synthetic_data.projection.shadow import SOFT_STEP, Shadow, Subject, project_subjects
from raysplay.synthetic_data.subject import draw_subject

FloatArray = npt.NDArray[np.float64]
Name = TypeVar("Name", bound=str)
Box = tuple[float, float, float, float]
DrawSubject = Callable[[tuple[int, ...], str], tuple[Subject, Posture]]

_FILM, _FOOT, _CONDITION, _WEAR = 7919, 104729, 1299709, 179424673
"""Keep the random numbers of films, feet, conditions and wear apart: a film without a condition or wear is the same
whatever their shares."""

_BEYOND = 60.0
"""How far a field reaches past the plate where no edge shall be seen, in mm."""

POSED = ("hva", "ima", "hia", "ima45")
"""Angles that a posture names."""

TOES = {"up": 0.0, "right": 90.0, "down": 180.0, "left": 270.0}
"""Turn of a foot from toes up, clockwise, in degrees."""


@dataclass(frozen=True)
class GeneratedFoot:
    """One foot on a film with its truth.

    Attributes
    ----------
    side : {'R', 'L'}
    view : {'dp', 'oblique', 'lateral'}
    landmarks : ndarray, shape (L, 2)
        x (column) and y (row) in pixels of the film, centres at integers, schema order; also those off the film.
    visible : ndarray of bool, shape (L,)
        Whether the landmark is on this foot, inside the exposed field and on the film.
    box : (left, top, right, bottom)
        Round skin and landmarks of the foot without the leg, cut at the field.
    posed : mapping of str to float
        Angles the bones were posed with in space, degrees. Never the truth of a film.
    measures : mapping of str to float
        By name of the measure, from the projected landmarks by the definitions of ``measure/``; ``nan`` where
        a landmark is off the film, for lengths in mm, and for every view but dp, where they are not defined.
    beam_tilt : float
        Lean of the central ray toward the heel, degrees.
    ray_angle : float
        Lean of the ray that meets the foot, against its sole (``projection/beam.py``), degrees.
    seed : tuple of int
        Draws the same foot again (``draw_subject``).
    axes : ndarray, shape (2, 3)
        Film directions (x right, y down) of the foot's lateral, distal and dorsal direction.
    conditions : frozenset of str
        What makes the foot unfit for measuring, names of ``ConditionSettings``.
    """

    side: str
    view: str
    landmarks: FloatArray
    visible: npt.NDArray[np.bool_]
    box: Box
    posed: Mapping[str, float]
    measures: Mapping[str, float]
    beam_tilt: float
    ray_angle: float
    seed: tuple[int, ...]
    axes: FloatArray
    conditions: frozenset[str] = frozenset()


@dataclass(frozen=True)
class GeneratedFilm:
    """A film: float32 ``pixels`` in 0..1 with bone bright, what is on it, and the size of a pixel in mm."""

    pixels: npt.NDArray[np.float32]
    feet: tuple[GeneratedFoot, ...]
    pixel_mm: float
    marks: tuple[mark.Mark, ...]
    seed: tuple[int, ...]


@dataclass(frozen=True)
class FilmRequest:
    """What a film shall show; ``None`` leaves it to the drawing.

    ``views`` and ``sides`` have one entry a foot, ``toes`` is a key of :data:`TOES`, ``letter`` is ``right``,
    ``wrong`` or ``missing``; ``whole`` keeps the field from ending within the foot; ``part`` (one of
    ``OTHER_PARTS``) puts something else in the place of a single foot: such a film has no foot; ``condition`` (a
    share of ``ConditionSettings``) is what every foot has.
    """

    layout: str | None = None
    views: tuple[str, ...] | None = None
    sides: tuple[str, ...] | None = None
    same: bool | None = None
    toes: str | None = None
    letter: str | None = None
    pixel_mm: float | None = None
    whole: bool | None = None
    part: str | None = None
    condition: str | None = None


@dataclass
class _Laid:
    """A subject on the plate: plate mm = ``linear`` @ detector mm + ``shift``."""

    subject: Subject
    posture: Posture | None
    side: str
    view: str
    seed: tuple[int, ...]
    linear: FloatArray
    shift: FloatArray = field(default_factory=lambda: np.zeros(2))

    def plate(self, points: FloatArray) -> FloatArray:
        """Points in space (N, 3) as the beam throws them on the plate, in mm."""
        beam = self.subject.beam
        place, _ = project(
            torch.as_tensor(points.reshape(1, -1, 3)),
            torch.as_tensor([beam.focus], dtype=torch.float64),
            torch.as_tensor([beam.gap], dtype=torch.float64),
        )
        return np.asarray(place[0].numpy() @ self.linear.T + self.shift)

    def skin(self) -> FloatArray:
        """Skin of the foot without the leg, in plate mm."""
        return self.plate(self.subject.skin[:6])

    def around(self, centre: tuple[float, float], extent: tuple[float, float]) -> FloatArray:
        """Corners on the plate of an upright rectangle of the detector, in mm."""
        signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        return np.asarray((centre + 0.5 * signs * extent) @ self.linear.T + self.shift)

    def direction(self, axis: npt.ArrayLike) -> FloatArray:
        """Direction on the plate of a direction in the foot at rest."""
        return np.asarray(self.linear @ (self.subject.foot.turn @ np.asarray(axis, float))[:2])


@dataclass
class _Exposure:
    feet: list[_Laid]
    box: FloatArray
    """Left, top, right, bottom of what the field must hold, plate mm."""


@contextmanager
def _one_thread() -> Iterator[None]:
    """Sums over a whole film depend on how threads share them; one thread gives the same bytes everywhere."""
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        yield
    finally:
        torch.set_num_threads(before)


def compose_film(
    seed: int | Sequence[int],
    settings: ArchiveSettings | None = None,
    request: FilmRequest | None = None,
    draw: DrawSubject = draw_subject,
) -> GeneratedFilm:
    """Draw a film. The same seed, settings and request give the same film, whatever the number of threads.

    Parameters
    ----------
    seed : int or sequence of int
    settings : ArchiveSettings, optional
        The shipped ones by default.
    request : FilmRequest, optional
        Fixes part of what is otherwise drawn.
    draw : callable, optional
        Draws each foot with its posture from a seed and a view; by default a foot of the generator.
    """
    key = (seed,) if isinstance(seed, int) else tuple(int(s) for s in seed)
    with _one_thread():
        return _compose(key, settings or archive_settings(), request or FilmRequest(), draw)


def _pick(rng: np.random.Generator, shares: Mapping[Name, float]) -> Name:
    names = list(shares)
    return names[int(rng.choice(len(names), p=[shares[n] for n in names]))]


def _compose(key: tuple[int, ...], settings: ArchiveSettings, request: FilmRequest, draw: DrawSubject) -> GeneratedFilm:
    if request.condition is not None:
        only = {request.condition: 1.0, "strength": settings.conditions.strength}
        settings = settings.model_copy(update={"conditions": ConditionSettings.model_validate(only)})
    rng, extra = np.random.default_rng([*key, _FILM]), np.random.default_rng([*key, _CONDITION])
    if request.part is None and extra.random() < settings.film.other_share:
        request = replace(request, part=str(extra.choice(OTHER_PARTS)))
    layout = request.layout or ("single" if request.part else _pick(rng, settings.film.layouts))
    groups = _lay(rng, extra, key, layout, settings, request, draw)
    # Fields lie side by side across the toes' direction; now and then the other way.
    ahead = groups[0][0].direction((0, 1, 0))
    stacked = bool(abs(ahead[0]) > abs(ahead[1])) != bool(rng.random() < settings.collimation.stacked_share)
    exposures = [_need(rng, feet, settings, request) for feet in groups]
    fields, extent = _arrange(rng, exposures, stacked, settings)

    pixel_mm = request.pixel_mm or float(np.exp(rng.uniform(*np.log(settings.film.pixel_mm))))
    fit = max(np.sqrt(extent[0] * extent[1] / settings.film.max_pixels), max(extent) / settings.film.max_side)
    pixel_mm = round(max(pixel_mm, float(fit)) + 5e-5, 4)
    size = max(64, int(extent[1] / pixel_mm)), max(64, int(extent[0] / pixel_mm))

    letters = _letters(rng, groups, layout, settings, request)
    look = draw_looks(rng, 1)
    plate = _Plate(size, pixel_mm, look, settings)
    exposed = [
        _expose(rng, extra, exposure, area, letters[k], plate, aids=k == 0)
        for k, (exposure, area) in enumerate(zip(exposures, fields, strict=True))
    ]
    taken = np.zeros((-(-size[0] // SOFT_STEP), -(-size[1] // SOFT_STEP)), bool)
    for one in exposed:
        one.cover(taken)
    put = [stamp for one in exposed for stamp in one.lead]
    to_print = [each for one in exposed for each in one.to_print]
    pictures = [(one.picture, area, one.corner) for one, area in zip(exposed, fields, strict=True)]
    surround = draw_surround(rng, settings.collimation)
    film = join_exposures(pictures, size, pixel_mm, surround)

    if rng.random() < settings.collimation.banding_share:
        banding(rng, film, pixel_mm, float(rng.uniform(*settings.collimation.banding)))
    if not surround.black and rng.random() < settings.collimation.plate_edge_share:
        plate_edge(rng, film, pixel_mm)
    chance = settings.marks
    free: list[mark.Stamp] = []
    if rng.random() < chance.text_share:
        free += [mark.text_lines(rng, chance, pixel_mm) for _ in range(int(rng.integers(1, 3)))]
    if rng.random() < chance.sign_share:
        free.append(mark.sign(rng, chance, pixel_mm))
    for stamp in free:
        if not stamp.mark.lead:
            to_print.append((stamp, mark.place(rng, stamp, taken, SOFT_STEP)))
    for stamp, at in to_print:
        mark.print_on(film, stamp, at)
        put.append(mark.put(stamp, at))
    made = GeneratedFilm(
        film, tuple(foot for one in exposed for foot in one.feet), pixel_mm, tuple(s.mark for s in put), key
    )
    return _wear(made, settings)


def _wear(film: GeneratedFilm, settings: ArchiveSettings) -> GeneratedFilm:
    """The film after reader, archive and display. A photograph from a screen keeps the measures of the film itself."""
    shares = settings.wear
    rng = np.random.default_rng([*film.seed, _WEAR])
    generator = torch.Generator().manual_seed(int(rng.integers(2**62)))
    images = spoil_plate(torch.from_numpy(film.pixels)[None], rng, generator, shares)
    matrix, coarse = np.eye(3), some(rng, 1, shares.low_resolution)
    if len(coarse):
        factor = max(1.0, shares.strength * float(rng.uniform(*COARSE_MM)) / film.pixel_mm)
        images, matrix = _stored_small(images, factor)
    images = lose_resolution(images, 1.0, draw_quality(rng, 1, shares.jpeg, shares.strength))
    photographed = some(rng, 1, shares.photographed)
    if len(photographed):
        size = (images.shape[1], images.shape[2])
        angle = draw_angles(rng, 1, size, shares.strength)
        images = photograph(images, torch.from_numpy(angle))
        matrix = np.linalg.inv(angle[0]) @ matrix
    pixel_mm = round(film.pixel_mm / float(matrix[0, 0]), 4) if len(coarse) else film.pixel_mm
    images = spoil_display(images, torch.tensor([pixel_mm]), rng, shares, photographed)
    if not len(coarse) and not len(photographed):
        return replace(film, pixels=images[0].numpy())
    rows, columns = images.shape[1:]

    def move(points: npt.ArrayLike) -> FloatArray:
        at = torch.as_tensor(np.asarray(points, float).reshape(1, -1, 2))
        return np.asarray(move_points(torch.from_numpy(matrix)[None], at)[0].numpy())

    def moved(foot: GeneratedFoot) -> GeneratedFoot:
        left, top, right, bottom = foot.box
        corners = move([(left, top), (right, top), (right, bottom), (left, bottom)])
        low, high = corners.min(0).clip(0), np.minimum(corners.max(0), (columns - 1, rows - 1))
        points = move(foot.landmarks)
        visible = foot.visible & (points >= 0).all(1) & (points <= (columns - 1, rows - 1)).all(1)
        box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
        return replace(foot, landmarks=points, visible=visible, box=box)

    places = move(np.reshape([(m.x, m.y) for m in film.marks], (-1, 2)))
    marks = tuple(replace(m, x=float(x), y=float(y)) for m, (x, y) in zip(film.marks, places, strict=True))
    return replace(film, pixels=images[0].numpy(), feet=tuple(map(moved, film.feet)), pixel_mm=pixel_mm, marks=marks)


def _stored_small(images: torch.Tensor, factor: float) -> tuple[torch.Tensor, FloatArray]:
    """Films (1, R, C) ``factor`` times smaller, and the map from pixels of the large to those of the small one."""
    columns = max(32, round(images.shape[2] / factor))
    # The same factor both ways, to a fraction of a pixel: pixels stay square.
    rows = max(32, round(images.shape[1] * columns / images.shape[2]))
    small = torch.nn.functional.interpolate(
        images[None], size=(rows, columns), mode="bilinear", antialias=True, align_corners=False
    )[0]
    sx, sy = columns / images.shape[2], rows / images.shape[1]
    return small.clamp(0, 1), np.array([[sx, 0, (sx - 1) / 2], [0, sy, (sy - 1) / 2], [0, 0, 1]])


def _lay(
    rng: np.random.Generator,
    extra: np.random.Generator,
    key: tuple[int, ...],
    layout: str,
    settings: ArchiveSettings,
    request: FilmRequest,
    draw: DrawSubject = draw_subject,
) -> list[list[_Laid]]:
    """Feet of every exposure, turned as they lie on the plate."""
    film = settings.film
    sides = list(request.sides or ())
    if layout == "single":
        views, same = list(request.views or (_pick(rng, film.views),)), False
    elif layout == "both":
        views, same = ["dp", "dp"], False
    else:
        chosen = film.field_sets[int(rng.choice(len(film.field_sets), p=[s.share for s in film.field_sets]))]
        views, same = list(request.views or chosen.views), chosen.same
        same = same if request.same is None else request.same
    if not sides:
        first = "L" if rng.random() < film.left_share else "R"
        other = other_side(first)
        # Two feet in one exposure stand as they stand, left foot on the left with the toes up.
        sides = [first] * len(views) if same or len(views) == 1 else [first, other, first][: len(views)]
    toes = TOES[request.toes or _pick(rng, film.toes)]
    turn = float(rng.normal(*film.turn))
    if rng.random() < film.turned_share:
        turn = float(rng.uniform(-film.turned, film.turned))
    laid = []
    for k, (view, side) in enumerate(zip(views, sides, strict=True)):
        seed = (*key, _FOOT, 1 if same else k + 1)
        posture = None
        if request.part is not None:
            subject, view = draw_other_part(seed, request.part), "other"
        else:
            condition = _anatomical(extra, settings)
            subject, posture = draw(seed, view) if condition is None else draw_subject(seed, view, condition=condition)
        foot = _Laid(subject, posture, side, view, seed, np.eye(2))
        angle = toes + (turn if k == 0 else float(rng.normal(*film.turn)))
        if layout == "both":
            angle = toes + turn + (1 if side == "R" else -1) * float(rng.normal(*film.toe_out))
        foot.linear = _turned(angle) @ _upright(side)
        if view == "lateral" and rng.random() < (0.6 if layout == "single" else 0.35):
            # The leg runs up the film: toes point to the left or to the right.
            foot.linear = _turned(turn) @ _upright(side)
            leg = foot.direction((0, 0, 1))
            foot.linear = _turned(-np.degrees(np.arctan2(leg[0], -leg[1]))) @ foot.linear
        laid.append(foot)
    asked = request.views is not None or request.sides is not None
    free = layout == "single" and request.part is None and (not asked or request.condition == "overlap")
    if free and extra.random() < settings.conditions.overlap:
        return [[laid[0], _guest(extra, laid[0], (*key, _FOOT, len(laid) + 1), draw)]]
    if layout != "both":
        return [[foot] for foot in laid]
    _stand_beside(rng, laid, toes + turn, settings)
    return [laid]


def _anatomical(extra: np.random.Generator, settings: ArchiveSettings) -> str | None:
    """The condition that a foot is drawn with, if any."""
    chance = extra.random()
    for name in ("growth_plates", "missing_toe"):
        share = float(getattr(settings.conditions, name))
        if chance < share:
            return name
        chance -= share
    return None


def _guest(extra: np.random.Generator, host: _Laid, seed: tuple[int, ...], draw: DrawSubject) -> _Laid:
    """Another foot whose metatarsals lie over those of ``host``."""
    subject, posture = draw(seed, "dp")
    side = str(extra.choice(SIDES))
    toes = host.direction((0, 1, 0))
    angle = float(np.degrees(np.arctan2(toes[0], -toes[1])) + extra.normal(0, 20.0))
    guest = _Laid(subject, posture, side, "dp", seed, _turned(angle) @ _upright(side))
    bones = [bone_index(f"metatarsal_{k}") for k in (1, 2, 4, 5)]
    centres = [foot.plate(foot.subject.foot.origin[bones]).mean(0) for foot in (host, guest)]
    guest.shift = centres[0] - centres[1] + extra.normal(0, 10.0, 2)
    return guest


def _turned(degrees: float) -> FloatArray:
    """Rotation of plate coordinates (x right, y down), clockwise as seen."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s], [s, c]])


def _upright(side: str) -> FloatArray:
    """Detector (x lateral, y distal) to plate with the toes up; a left foot is the mirror image."""
    return np.diag([-1.0 if side == "L" else 1.0, -1.0])


def _stand_beside(rng: np.random.Generator, pair: list[_Laid], toes: float, settings: ArchiveSettings) -> None:
    """Put two feet next to each other under one beam."""
    back, forth = _turned(-toes), _turned(toes)
    gap = float(rng.uniform(*settings.film.between_feet))
    for foot in pair:
        seen = foot.skin() @ back.T
        low, high = seen.min(0), seen.max(0)
        x = gap / 2 - low[0] if foot.side == "R" else -gap / 2 - high[0]
        foot.shift = forth @ np.array([x, rng.normal(0, 6.0) - 0.5 * (low[1] + high[1])])
    beam = pair[0].subject.beam
    centre = forth @ rng.normal(0, 20.0, 2)
    ahead, aside = forth @ np.array([0.0, -1.0]), forth @ np.array([1.0, 0.0])
    lean = beam.distance * np.tan(np.radians([beam.tilt, beam.side_tilt]))
    focus = centre + lean[0] * ahead + lean[1] * aside
    for foot in pair:
        # Both frames see the one focal spot; the plate is the same for both.
        at = foot.linear.T @ (centre - foot.shift)
        away = foot.linear.T @ (focus - centre)
        tilt, side_tilt = np.degrees(np.arctan2([away[1], -away[0]], beam.distance))
        shared = replace(beam, tilt=float(tilt), side_tilt=float(side_tilt), x=float(at[0]), y=float(at[1]))
        foot.subject = replace(foot.subject, beam=shared)


def _need(rng: np.random.Generator, feet: list[_Laid], settings: ArchiveSettings, request: FilmRequest) -> _Exposure:
    """What the field of an exposure holds: the feet, a margin, a length of leg."""
    film = settings.film
    chance = rng.random()
    whole = bool(request.whole) or request.part is not None
    forefoot = not whole and feet[0].view == "dp" and chance < film.forefoot_share
    margins = np.array([-1.0, -1.0, 1.0, 1.0]) * rng.uniform(*film.margin, 4)
    boxes = []
    leg = float(rng.uniform(*film.leg))
    for foot in feet:
        points = foot.skin() if request.part is None else foot.around(CENTRE, part_field(request.part))
        if forefoot:
            origin = foot.subject.foot.origin
            bases = foot.plate(origin[[bone_index(f"metatarsal_{k}") for k in (1, 2, 4, 5)]])
            distal = foot.direction((0, 1, 0))
            distal /= np.linalg.norm(distal)
            points = points[points @ distal > (bases @ distal).min() - 12.0]
        box = np.concatenate([points.min(0), points.max(0)])
        if foot.posture is not None and foot.posture.leg and not forefoot:
            tube = foot.plate(foot.subject.skin[6]).reshape(foot.subject.skin[6].shape[0], -1, 2).mean(1)
            way = tube - tube[0]
            seen = way[np.linalg.norm(way, axis=1) <= leg] + tube[0]
            box[:2], box[2:] = np.minimum(box[:2], seen.min(0)), np.maximum(box[2:], seen.max(0))
        boxes.append(box)
    table = np.stack(boxes)
    box = np.concatenate([table[:, :2].min(0), table[:, 2:].max(0)])
    if forefoot:
        # The side of the heel keeps no margin: this is where the field ends.
        heel = -feet[0].direction((0, 1, 0))
        side = int(np.abs(heel).argmax()) + (2 if heel[np.abs(heel).argmax()] > 0 else 0)
        margins[side] *= 0.1
    box = box + margins
    if not whole and rng.random() < film.cut_share:
        side = int(rng.integers(4))
        box[side] -= margins[side] + np.sign(margins[side]) * rng.uniform(*film.cut)
    return _Exposure(feet, box)


def _arrange(
    rng: np.random.Generator, exposures: list[_Exposure], stacked: bool, settings: ArchiveSettings
) -> tuple[list[Field], tuple[float, float]]:
    """Fields on the plate and the extent (width, height) of the plate, in mm; shifts the feet along."""
    chosen = settings.collimation
    many = len(exposures) > 1
    along, across = (1, 0) if stacked else (0, 1)
    # Borders: plate seen beyond the edge of the field, or none.
    borders = []
    for k in range(len(exposures)):
        border = np.where(rng.random(4) < chosen.edge_inside, rng.uniform(*chosen.border, 4), 0.0)
        if many and k > 0:
            border[along] = 0.0
        if many and k < len(exposures) - 1:
            border[along + 2] = 0.0
        borders.append(border)
    extent = np.zeros(2)
    span = [e.box[2:] - e.box[:2] for e in exposures]
    extent[across] = max(s[across] + b[across] + b[across + 2] for s, b in zip(span, borders, strict=True))
    fields = []
    at = 0.0
    for k, (exposure, border) in enumerate(zip(exposures, borders, strict=True)):
        low, high = exposure.box[:2].copy(), exposure.box[2:].copy()
        start = np.zeros(2)
        start[along] = at + border[along]
        spare = extent[across] - (span[k] + border[:2] + border[2:])[across]
        start[across] = border[across] + spare * rng.uniform()
        move = start - low
        for foot in exposure.feet:
            foot.shift = foot.shift + move
        low, high = low + move, high + move
        at = high[along] + border[along + 2]
        if k < len(exposures) - 1:
            at += float(rng.uniform(*chosen.gap))
        angle, softness = draw_edge(rng, chosen)
        for axis in (0, 1):
            inner_low = many and axis == along and k > 0
            inner_high = many and axis == along and k < len(exposures) - 1
            if border[axis] == 0.0 and not inner_low:
                low[axis] = -_BEYOND
            if border[axis + 2] == 0.0 and not inner_high:
                high[axis] = np.inf
        fields.append((low, high, angle, softness))
    extent[along] = at
    made = []
    for low, high, angle, softness in fields:
        high = np.minimum(high, extent + _BEYOND)
        centre, size = 0.5 * (low + high), high - low
        made.append(Field(float(centre[0]), float(centre[1]), float(size[0]), float(size[1]), angle, softness))
    return made, (float(extent[0]), float(extent[1]))


def _letters(
    rng: np.random.Generator,
    groups: list[list[_Laid]],
    layout: str,
    settings: ArchiveSettings,
    request: FilmRequest,
) -> list[list[tuple[str, int]]]:
    """Side letters of every exposure: what they say and the foot they lie beside."""
    chance = settings.marks
    missing, wrong = rng.random() < chance.letter_missing, rng.random() < chance.letter_wrong
    if request.letter is not None:
        missing, wrong = request.letter == "missing", request.letter == "wrong"
    if missing:
        return [[] for _ in groups]
    every = [(k, i) for k, feet in enumerate(groups) for i in range(len(feet))]
    one_side = len({foot.side for feet in groups for foot in feet}) == 1
    if len(every) > 1 and (layout == "both" or one_side) and rng.random() >= chance.letter_each:
        every = [every[int(rng.integers(len(every)))]]
    letters: list[list[tuple[str, int]]] = [[] for _ in groups]
    for k, i in every:
        side = groups[k][i].side
        letters[k].append((other_side(side) if wrong else side, i))
    return letters


@dataclass(frozen=True)
class _Plate:
    """What all exposures of a film share: rows and columns, mm a pixel, how it is developed, and the settings."""

    size: tuple[int, int]
    pixel_mm: float
    look: Look
    settings: ArchiveSettings


@dataclass(frozen=True)
class _Exposed:
    """One exposure in its window of the plate.

    Attributes
    ----------
    picture : ndarray, shape (R, C), float32
    corner : (column, row)
        Of the window on the plate.
    feet : list of GeneratedFoot
    lead : list of Stamp
        Marks that the beam has shown, placed on the plate.
    to_print : list of (Stamp, (column, row))
        Marks that are printed on the finished film, and where on the plate.
    covered : ndarray of bool
        Cells of ``SOFT_STEP`` pixels of the window where feet or marks lie.
    """

    picture: npt.NDArray[np.float32]
    corner: tuple[int, int]
    feet: list[GeneratedFoot]
    lead: list[mark.Stamp]
    to_print: list[tuple[mark.Stamp, tuple[int, int]]]
    covered: npt.NDArray[np.bool_]

    def cover(self, taken: npt.NDArray[np.bool_]) -> None:
        """Mark what is covered in ``taken``, the cells of the whole plate."""
        row, column = self.corner[1] // SOFT_STEP, self.corner[0] // SOFT_STEP
        part = taken[row : row + self.covered.shape[0], column : column + self.covered.shape[1]]
        part |= self.covered[: part.shape[0], : part.shape[1]]


def _expose(
    rng: np.random.Generator,
    extra: np.random.Generator,
    exposure: _Exposure,
    area: Field,
    letters: list[tuple[str, int]],
    plate: _Plate,
    aids: bool,
) -> _Exposed:
    """Expose feet in a field of the plate, with the side ``letters`` beside them and measuring aids if ``aids``."""
    corner, window = _window(area, plate.pixel_mm, plate.size)
    shadow = _shadow(exposure, corner, window, plate.pixel_mm)
    layers = shadow.soft.sum(0, keepdim=True)
    soft, metal, conditions = _with_carried(extra, exposure, shadow, join_soft(layers, window, SOFT_STEP), plate)
    points, placed = shadow.points.double().numpy() + np.array(corner), shadow.placed.numpy()
    on_plate = [
        _truth(f, p, on, c, area, plate.pixel_mm, plate.size)
        for f, p, on, c in zip(exposure.feet, points, placed, conditions, strict=True)
    ]

    covered = layers[0].amax(0).numpy() > 1.0
    cell = corner[0] // SOFT_STEP, corner[1] // SOFT_STEP
    busy = covered | (openness(area, covered.shape, cell, plate.pixel_mm * SOFT_STEP) < 1)
    stamps = _stamps(rng, letters, [foot.box for foot in on_plate], exposure, plate, aids)
    cortical = (shadow.outer - shadow.inner).sum(0, keepdim=True)
    bone, flesh = cortical[0].numpy(), soft[0].numpy()
    lead: list[mark.Stamp] = []
    to_print: list[tuple[mark.Stamp, tuple[int, int]]] = []
    for stamp, near in stamps:
        beside = None if near is None else (near[0] - corner[0], near[1] - corner[1])
        x, y = mark.place(rng, stamp, busy, SOFT_STEP, beside)
        cells = slice(y // SOFT_STEP, None), slice(x // SOFT_STEP, None)
        high, wide = (-(-n // SOFT_STEP) for n in stamp.ink.shape)
        busy[cells][:high, :wide] = True
        covered[cells][:high, :wide] = True
        at = x + corner[0], y + corner[1]
        if stamp.mark.lead:
            mark.add_lead(bone, flesh, stamp, (x, y))
            lead.append(mark.put(stamp, at))
        else:
            to_print.append((stamp, at))
    generator = torch.Generator().manual_seed(int(rng.integers(2**62)))
    spongy = shadow.inner.sum(0, keepdim=True)
    picture = form(cortical, spongy, soft, plate.look, torch.tensor([plate.pixel_mm]), generator, metal)
    feet = [foot for foot in on_plate if foot.view != "other"]
    return _Exposed(picture[0].numpy(), corner, feet, lead, to_print, covered)


def _shadow(exposure: _Exposure, corner: tuple[int, int], window: tuple[int, int], pixel_mm: float) -> Shadow:
    """Shadow of every foot of an exposure in its window of the plate."""
    matrices = []
    for foot in exposure.feet:
        matrix = np.eye(3)
        matrix[:2, :2] = foot.linear / pixel_mm
        matrix[:2, 2] = foot.shift / pixel_mm - corner
        matrices.append(matrix)
    return project_subjects([f.subject for f in exposure.feet], torch.as_tensor(np.stack(matrices)), window)


def _with_carried(
    extra: np.random.Generator, exposure: _Exposure, shadow: Shadow, soft: torch.Tensor, plate: _Plate
) -> tuple[torch.Tensor, torch.Tensor | None, list[frozenset[str]]]:
    """Soft tissue (1, R, C) with what the feet carry and lie on, metal over them (1, R, C) if any, and the conditions
    of every foot."""
    settings, window = plate.settings, (soft.shape[1], soft.shape[2])
    chosen = choose_carried(extra, len(exposure.feet), settings.conditions.model_dump())
    pixels = torch.full((len(exposure.feet),), plate.pixel_mm)
    over = covered_feet(shadow.outer, shadow.points)
    conditions = [
        frozenset(f.subject.conditions | {c for c in CARRIED if k in chosen[c]} | ({"overlap"} if over[k] else set()))
        for k, f in enumerate(exposure.feet)
    ]
    metal = None
    if any(len(feet) for feet in chosen.values()):
        own = join_soft(shadow.soft, window, SOFT_STEP)
        source = torch.Generator().manual_seed(int(extra.integers(2**62)))
        added = carry(chosen, own, shadow.points, pixels, extra, source, settings.conditions.strength)
        assert added is not None
        soft, metal = soft + added.soft.sum(0, keepdim=True), added.metal.sum(0, keepdim=True)
    if exposure.feet[0].view != "other" and extra.random() < settings.wear.aids:
        aids_here = table([draw_aids(extra)], soft.device)
        soft = soft + parts_path(aids_here, shadow.points[:1], pixels[:1], window)
    return soft, metal, conditions


def _stamps(
    rng: np.random.Generator,
    letters: list[tuple[str, int]],
    boxes: Sequence[Box],
    exposure: _Exposure,
    plate: _Plate,
    aids: bool,
) -> list[tuple[mark.Stamp, tuple[float, float] | None]]:
    """Marks of an exposure in their order, and the place on the plate that each wants to lie at, if any."""
    chance, pixel_mm = plate.settings.marks, plate.pixel_mm
    stamps: list[tuple[mark.Stamp, tuple[float, float] | None]] = []
    for letter, i in letters:
        stamps.append((mark.side_letter(rng, chance, letter, pixel_mm), _beside(boxes[i], exposure.feet[i])))
    if aids:
        for share, draw in (
            (chance.ruler_share, mark.ruler),
            (chance.wedge_share, mark.wedge),
            (chance.ball_share, mark.ball),
            (chance.corner_share, mark.corner),
        ):
            if rng.random() < share:
                stamps.append((draw(rng, chance, pixel_mm), None))
    return stamps


def _window(area: Field, pixel_mm: float, size: tuple[int, int]) -> tuple[tuple[int, int], tuple[int, int]]:
    """Corner (column, row) and size (rows, columns) of the part of the plate that a field reaches."""
    half = np.array([area.width, area.height]) / 2 + area.softness
    c, s = abs(np.cos(np.radians(area.angle))), abs(np.sin(np.radians(area.angle)))
    reach = np.array([c * half[0] + s * half[1], s * half[0] + c * half[1]])
    limit = np.array([size[1], size[0]])
    low = np.clip(np.floor((np.array([area.x, area.y]) - reach) / pixel_mm), 0, limit - 32)
    low = low // SOFT_STEP * SOFT_STEP
    high = np.clip(np.ceil((np.array([area.x, area.y]) + reach) / pixel_mm), low + 32, limit)
    left, top, right, bottom = (int(v) for v in (*low, *high))
    return (left, top), (bottom - top, right - left)


def _beside(box: Box, laid: _Laid) -> tuple[float, float]:
    """A place next to the foot on the side of the fifth toe, in pixels."""
    x0, y0, x1, y1 = box
    way = laid.direction((1, 0, 0))
    way = way / max(float(np.linalg.norm(way)), 1e-6)
    return 0.5 * (x0 + x1) + 0.8 * way[0] * (x1 - x0), 0.5 * (y0 + y1) + 0.8 * way[1] * (y1 - y0)


def _truth(
    foot: _Laid,
    points: FloatArray,
    placed: npt.NDArray[np.bool_],
    conditions: frozenset[str],
    area: Field,
    pixel_mm: float,
    size: tuple[int, int],
) -> GeneratedFoot:
    rows, columns = size
    c, s = np.cos(np.radians(area.angle)), np.sin(np.radians(area.angle))
    aside = points * pixel_mm - (area.x, area.y)
    along, down = c * aside[:, 0] + s * aside[:, 1], c * aside[:, 1] - s * aside[:, 0]
    visible = (np.abs(along) <= area.width / 2) & (np.abs(down) <= area.height / 2)
    visible &= placed & (points >= 0).all(1) & (points <= (columns - 1, rows - 1)).all(1)

    # A sesamoid can stand out of the drawn skin: the box holds both.
    held = np.concatenate([foot.skin() / pixel_mm, points[placed]])
    (left, top), (tall, wide) = _window(area, pixel_mm, size)
    low = np.clip(held.min(0), (left, top), (left + wide - 1, top + tall - 1))
    high = np.clip(held.max(0), (left, top), (left + wide - 1, top + tall - 1))

    schema = landmark_schema()
    framed, _ = to_foot_frame(points[None], None, [foot.side])
    values = measure_values(framed, schema, visible=visible[None])
    truth = {name: float(value[0]) if foot.view == "dp" else float("nan") for name, value in values.items()}
    posed = {} if foot.posture is None else {name: float(getattr(foot.posture, name)) for name in POSED}
    axes = np.stack([foot.direction(axis) for axis in np.eye(3)], axis=1)
    box = (float(low[0]), float(low[1]), float(high[0]), float(high[1]))
    return GeneratedFoot(
        foot.side,
        foot.view,
        points,
        visible,
        box,
        posed,
        truth,
        foot.subject.beam.tilt,
        ray_angle(foot.subject.beam, foot.subject.foot),
        foot.seed,
        axes,
        conditions,
    )

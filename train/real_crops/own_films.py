"""A user's films with their landmarks, cut into crops for training.

The table is the project's own: film, foot (L or R), foot_index, landmark, x, y, in pixels of the film, as ``raysplay
synthesize`` writes it beside generated films and a review exports it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.ndimage import map_coordinates

from raysplay.configs import landmark_schema
from raysplay.configs.errors import RaysplayError
from raysplay.infer.film_names import FilmNames
from raysplay.infer.films.collect import collect
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.polarity import negative
from raysplay.infer.outputs.names import film_name, film_path, given_film
from raysplay.infer.outputs.owner_only import owner_only
from raysplay.infer.settings import reading_settings
from raysplay.infer.user_table import Row, UserTable, UserTableError, nearest_name, read_user_table
from raysplay.infer.warp import similarity
from raysplay.measure import shown_side
from raysplay.measure.axes import SHAFT_LEVELS
from raysplay.train.real_crops.real_films import CropFolder

COLUMNS = ("film", "foot", "foot_index", "landmark", "x", "y")

FEWEST_ANCHORS = 3
"""Anchors without which a crop cannot be laid over a foot."""


class FinetuneFilmsError(RaysplayError, ValueError):
    """Films or landmarks that cannot be used; the message names the file, the line and the reason."""


@dataclass
class GivenFoot:
    """One foot of the table: its film, side, first line, and landmarks by code in film pixels."""

    film: str
    side: str
    row: int
    landmarks: dict[str, tuple[float, float]] = field(default_factory=dict)


def read_landmarks(path: Path) -> list[GivenFoot]:
    """Feet of a landmark table in the order they come in.

    Raises
    ------
    FinetuneFilmsError
        If the file or a row cannot be used, or a foot has fewer than ``FEWEST_ANCHORS`` anchors.
    """
    codes = set(landmark_schema().codes)
    feet: dict[tuple[str, int], GivenFoot] = {}
    try:
        table = read_user_table(path, COLUMNS, rows_needed=False)
        for row in table.rows:
            _take(table, row, codes, feet)
    except UserTableError as error:
        raise FinetuneFilmsError(str(error)) from error
    if not feet:
        raise FinetuneFilmsError(f"{path}: holds no landmark")
    anchors = [a.code for a in reading_settings().anchors]
    for foot in feet.values():
        given = [code for code in anchors if code in foot.landmarks]
        if len(given) < FEWEST_ANCHORS:
            raise FinetuneFilmsError(
                f"{path}: line {foot.row}: this foot of {foot.film} has {len(given)} of the landmarks that place a "
                f"crop; it needs {FEWEST_ANCHORS} of {', '.join(anchors)}"
            )
    return list(feet.values())


def _take(table: UserTable, row: Row, codes: set[str], feet: dict[tuple[str, int], GivenFoot]) -> None:
    for column in COLUMNS:
        if not row[column]:
            raise table.error("is empty", row, column)
    film, side = given_film(row["film"]), table.side(row, "foot", needed=True)
    index, code = table.whole_number(row, "foot_index"), row["landmark"]
    if code not in codes:
        near = nearest_name(code, codes)
        meant = f"; did you mean {near}?" if near else ""
        raise table.error(f"there is no landmark {code!r}{meant}", row, "landmark")
    x, y = (table.number(row, column) for column in ("x", "y"))
    if x is None or y is None:
        raise table.error("says that there is no place; leave out rows of points that are not seen", row)
    foot = feet.setdefault((film, index), GivenFoot(film, side, row.line))
    if side != foot.side:
        raise table.error(f"foot {index} of {film} was {foot.side} in line {foot.row}", row, "foot")
    if code in foot.landmarks:
        raise table.error(f"{code} of this foot is given twice", row, "landmark")
    foot.landmarks[code] = (x, y)


def lay_crop(foot: GivenFoot, aspect: float) -> np.ndarray:
    """The upright crop over a foot by the anchors that are given: film_from_crop, shape (3, 3).

    ``aspect`` is the distance of rows over that of columns on the film. What the landmarks show decides whether it is
    mirrored, not what the foot is called: a left foot on a mirrored film looks like a right one.
    """
    settings = reading_settings()
    given = [k for k, a in enumerate(settings.anchors) if a.code in foot.landmarks]
    source = settings.anchor_points[given]
    mirror = np.eye(3)
    if _shown(foot) == "L":
        mirror = np.array([[-1.0, 0, settings.crop_columns - 1], [0, 1, 0], [0, 0, 1]])
        source = source * [-1, 1] + [settings.crop_columns - 1, 0]
    even = np.array([foot.landmarks[settings.anchors[k].code] for k in given]) * [1.0, aspect]
    matrix = similarity(source, even, settings.anchor_weights[given])
    film_from_crop: np.ndarray = np.diag([1.0, 1.0 / aspect, 1.0]) @ matrix @ mirror
    return film_from_crop


def _shown(foot: GivenFoot) -> str:
    schema = landmark_schema()
    points = [foot.landmarks.get(code, (math.nan, math.nan)) for code in schema.codes]
    return shown_side(points, schema) or foot.side


def bone_lead(film: Film, feet: Sequence[GivenFoot]) -> float:
    """How much brighter shafts are than what lies beside them: the median over all given pairs of cortices.

    Grey in the middle between two cortices, less the mean of that half a shaft's width outside of either; nan where no
    pair is given with its surroundings on the film. Negative where bone is shown dark: of 150 generated films with
    bone bright (seed 7001) none is.
    """
    leads = []
    for foot in feet:
        for level in SHAFT_LEVELS:
            codes = f"{level}_med", f"{level}_lat"
            if not foot.landmarks.keys() >= set(codes):
                continue
            medial, lateral = (np.array(foot.landmarks[code]) for code in codes)
            across = 0.5 * (lateral - medial)
            at = np.stack([0.5 * (medial + lateral), medial - across, lateral + across])
            inside, *outside = map_coordinates(film.pixels, at.T[::-1], order=1, mode="constant", cval=np.nan)
            leads.append(inside - np.mean(outside))
    known = np.array(leads)[np.isfinite(leads)]
    return float(np.median(known)) if len(known) else math.nan


@owner_only()
def cut_films(films: Path, table: Path, out: Path) -> tuple[int, dict[str, str]]:
    """Cut every foot of ``table`` out of its film below ``films`` into a folder that ``load_real_crops`` reads.

    Returns
    -------
    int, dict of str to str
        Number of crops, and why films are missing from them, by name.

    Raises
    ------
    FinetuneFilmsError
        If the table cannot be used, a landmark lies off its film, or no film can be read.
    """
    folder, refused = CropFolder(out), dict[str, str]()
    feet = _on_films(read_landmarks(table), films, table)
    with FilmReader() as opener:
        for name in dict.fromkeys(foot.film for foot in feet):
            try:
                film = opener.read(films / film_path(name))
            except FilmRejected as reason:
                refused[name] = str(reason)
                continue
            of_film = [foot for foot in feet if foot.film == name]
            if film.polarity_doubtful and bone_lead(film, of_film) < 0:
                film = negative(film)
            for foot in of_film:
                _check_on_film(foot, film, table)
                try:
                    film_from_crop = lay_crop(foot, film.spacing.aspect)
                except ValueError as reason:
                    raise FinetuneFilmsError(f"{table}: line {foot.row}: {reason}") from reason
                folder.add(film.pixels, film_from_crop, name, "dp", landmarks=foot.landmarks)
    if not len(folder):
        name, why = next(iter(refused.items()))
        raise FinetuneFilmsError(f"{films}: none of the {len(refused)} films can be read; {name}: {why}")
    folder.write()
    return len(folder), refused


def _on_films(feet: list[GivenFoot], films: Path, table: Path) -> list[GivenFoot]:
    """The feet with their films called as they lie below ``films``; a film that is not there keeps its name."""
    names = FilmNames(film_name(one.name) for one in collect([films]).candidates) if films.is_dir() else FilmNames(())
    called: dict[str, str] = {}
    for foot in feet:
        meant = names.meant(foot.film)
        if len(meant) > 1:
            raise FinetuneFilmsError(
                f"{table}: line {foot.row}: {foot.film} could be {' or '.join(meant[:3])}; write the path below {films}"
            )
        film = meant[0] if meant else foot.film
        if called.setdefault(film, foot.film) != foot.film:
            raise FinetuneFilmsError(
                f"{table}: line {foot.row}: {called[film]} and {foot.film} are the same film; call it by one name"
            )
        foot.film = film
    return feet


def _check_on_film(foot: GivenFoot, film: Film, table: Path) -> None:
    rows, columns = film.pixels.shape
    for code, (x, y) in foot.landmarks.items():
        if not (-0.5 <= x <= columns - 0.5 and -0.5 <= y <= rows - 0.5):
            raise FinetuneFilmsError(
                f"{table}: {code} of the foot from line {foot.row} lies at {x:g}, {y:g}, off {foot.film} with "
                f"{columns} columns and {rows} rows"
            )

"""A user's films with their landmarks, cut into crops for training.

The table is the project's own: film, foot (L or R), foot_index, landmark, x, y, in pixels of the film, as ``raysplay
synthesize`` writes it beside generated films and a review exports it.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.ndimage import map_coordinates

from raysplay.configs import landmark_schema
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.polarity import negative
from raysplay.infer.settings import reading_settings
from raysplay.infer.warp import similarity
from raysplay.measure.axes import SHAFT_LEVELS
from raysplay.train.real_films import CropFolder

COLUMNS = ("film", "foot", "foot_index", "landmark", "x", "y")

FEWEST_ANCHORS = 3
"""Anchors without which a crop cannot be laid over a foot."""


class FinetuneFilmsError(ValueError):
    """Films or landmarks that cannot be used; the message names the file, the row and the reason."""


@dataclass
class GivenFoot:
    """One foot of the table: its film, side, first row, and landmarks by code in film pixels."""

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
    feet: dict[tuple[str, str], GivenFoot] = {}
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            missing = [c for c in COLUMNS if c not in (reader.fieldnames or ())]
            if missing:
                raise FinetuneFilmsError(f"{path}: no column {', '.join(missing)}; it needs {', '.join(COLUMNS)}")
            for row in reader:
                try:
                    _take(row, reader.line_num, codes, feet)
                except ValueError as reason:
                    raise FinetuneFilmsError(f"{path}, row {reader.line_num}: {reason}") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise FinetuneFilmsError(f"{path}: cannot be read as a table ({error})") from error
    if not feet:
        raise FinetuneFilmsError(f"{path}: holds no landmark")
    anchors = [a.code for a in reading_settings().anchors]
    for foot in feet.values():
        given = [code for code in anchors if code in foot.landmarks]
        if len(given) < FEWEST_ANCHORS:
            raise FinetuneFilmsError(
                f"{path}, row {foot.row}: this foot of {foot.film} has {len(given)} of the landmarks that place a "
                f"crop; it needs {FEWEST_ANCHORS} of {', '.join(anchors)}"
            )
    return list(feet.values())


def _take(row: dict[str, str], number: int, codes: set[str], feet: dict[tuple[str, str], GivenFoot]) -> None:
    if any(not row[column] for column in COLUMNS):
        raise ValueError("an entry is empty")
    if row["foot"] not in ("L", "R"):
        raise ValueError(f"foot is {row['foot']!r}, not L or R")
    if row["landmark"] not in codes:
        raise ValueError(f"there is no landmark {row['landmark']!r}")
    place = _number(row, "x"), _number(row, "y")
    foot = feet.setdefault((row["film"], row["foot_index"]), GivenFoot(row["film"], row["foot"], number))
    if row["foot"] != foot.side:
        raise ValueError(f"foot {row['foot_index']} of {row['film']} was {foot.side} in row {foot.row}")
    if row["landmark"] in foot.landmarks:
        raise ValueError(f"{row['landmark']} of this foot is given twice")
    foot.landmarks[row["landmark"]] = place


def _number(row: dict[str, str], column: str) -> float:
    try:
        value = float(row[column])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError(f"{column} is {row[column]!r}, not a number")
    return value


def lay_crop(foot: GivenFoot, aspect: float) -> np.ndarray:
    """The upright crop over a foot by the anchors that are given: film_from_crop, shape (3, 3).

    ``aspect`` is the distance of rows over that of columns on the film.
    """
    settings = reading_settings()
    given = [k for k, a in enumerate(settings.anchors) if a.code in foot.landmarks]
    source = settings.anchor_points[given]
    mirror = np.eye(3)
    if foot.side == "L":
        mirror = np.array([[-1.0, 0, settings.crop_columns - 1], [0, 1, 0], [0, 0, 1]])
        source = source * [-1, 1] + [settings.crop_columns - 1, 0]
    even = np.array([foot.landmarks[settings.anchors[k].code] for k in given]) * [1.0, aspect]
    matrix = similarity(source, even, settings.anchor_weights[given])
    film_from_crop: np.ndarray = np.diag([1.0, 1.0 / aspect, 1.0]) @ matrix @ mirror
    return film_from_crop


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
    feet = read_landmarks(table)
    with FilmReader() as opener:
        for name in dict.fromkeys(foot.film for foot in feet):
            try:
                film = opener.read(films / name)
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
                    raise FinetuneFilmsError(f"{table}, row {foot.row}: {reason}") from reason
                folder.add(film.pixels, film_from_crop, name, "dp", landmarks=foot.landmarks)
    if not len(folder):
        name, why = next(iter(refused.items()))
        raise FinetuneFilmsError(f"{films}: none of the {len(refused)} films can be read; {name}: {why}")
    folder.write()
    return len(folder), refused


def _check_on_film(foot: GivenFoot, film: Film, table: Path) -> None:
    rows, columns = film.pixels.shape
    for code, (x, y) in foot.landmarks.items():
        if not (-0.5 <= x <= columns - 0.5 and -0.5 <= y <= rows - 0.5):
            raise FinetuneFilmsError(
                f"{table}: {code} of the foot from row {foot.row} lies at {x:g}, {y:g}, off {foot.film} with {columns} "
                f"columns and {rows} rows"
            )

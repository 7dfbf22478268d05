"""Truth of an archive: one row a foot, from generated films or from a person's readings."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from raysplay.configs.load import landmark_schema
from raysplay.infer.outputs.names import film_name
from raysplay.measure import MEASURES

VIEWS = ("dp", "oblique", "lateral", "other")
LANDMARKS_NAME = "truth_landmarks.csv"
_POSITION = ("x", "y", "width", "height")


class TruthError(ValueError):
    """A truth file that cannot be used; the message names file, line and reason."""


@dataclass(frozen=True)
class TrueFoot:
    """One foot as it is known.

    Attributes
    ----------
    film : str
        Path relative to the folder of films, with forward slashes.
    side : str
        ``L``, ``R``, or empty for a film without a foot.
    view : str
        One of ``VIEWS``; ``dp`` where the file does not say.
    angles : mapping of str to float
        By name of the measure; what the row leaves empty is missing.
    centre, size : (float, float) or None
        Centre (x, y) and width and height of the foot in pixels of the film.
    landmarks : mapping of str to (float, float)
        By code, pixels of the film.
    seed : str
        What the film was generated from; empty for a film of a person.
    condition : str
        What makes the foot unfit for measuring; empty where nothing is known to.
    """

    film: str
    side: str
    view: str = "dp"
    angles: Mapping[str, float] = field(default_factory=dict)
    centre: tuple[float, float] | None = None
    size: tuple[float, float] | None = None
    landmarks: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    seed: str = ""
    condition: str = ""


def read_truth(path: Path) -> list[TrueFoot]:
    """Read ``truth.csv``, and ``truth_landmarks.csv`` beside it if there is one.

    Columns of ``truth.csv``: ``film`` and ``foot`` (L, R, or empty for no foot) must be there; ``view``
    (dp, oblique, lateral, other), ``x``, ``y``, ``width``, ``height`` (pixels), ``seed``, ``condition`` and one
    column a measure (``hva``, ``ima``, ... degrees) may be. Other columns are left alone.
    Columns of ``truth_landmarks.csv``: ``film, foot, foot_index, landmark, x, y``; ``foot_index`` counts the
    rows of a film in ``truth.csv`` from 0.

    Raises
    ------
    TruthError
        If a file cannot be read, a column is missing, or a cell is not what it should be.
    """
    rows = _rows(path, ("film", "foot"))
    if not rows:
        raise TruthError(f"{path}: holds no row")
    feet = [_foot(path, line, row) for line, row in rows]
    beside = path.with_name(LANDMARKS_NAME)
    return _with_landmarks(feet, beside) if beside.is_file() else feet


def _rows(path: Path, needed: tuple[str, ...]) -> list[tuple[int, dict[str, str]]]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream)
            missing = [name for name in needed if name not in (reader.fieldnames or ())]
            if missing:
                raise TruthError(f"{path}: no column {', '.join(missing)}")
            rows = [
                (reader.line_num, {k: (v or "").strip() for k, v in row.items() if isinstance(k, str)})
                for row in reader
            ]
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else "not CSV in UTF-8"
        raise TruthError(f"{path}: cannot be read ({reason})") from error
    return rows


def _foot(path: Path, line: int, row: Mapping[str, str]) -> TrueFoot:
    side, view = row["foot"].upper(), row.get("view", "").lower() or "dp"
    if side not in ("L", "R", ""):
        raise TruthError(f"{path}: line {line}: foot must be L, R or empty")
    if view not in VIEWS:
        raise TruthError(f"{path}: line {line}: view must be one of {', '.join(VIEWS)}")
    if not row["film"]:
        raise TruthError(f"{path}: line {line}: film is empty")
    number = {name: _number(path, line, name, row.get(name, "")) for name in _POSITION}
    angles = {
        measure.name: value
        for measure in MEASURES
        if (value := _number(path, line, measure.name, row.get(measure.name, ""))) is not None
    }
    return TrueFoot(
        normal_film(row["film"]),
        side,
        view,
        angles,
        _pair(number["x"], number["y"]),
        _pair(number["width"], number["height"]),
        seed=row.get("seed", ""),
        condition=row.get("condition", ""),
    )


def normal_film(text: str) -> str:
    """A film's name as the run writes it, whatever slashes and leading ``./`` it came with."""
    plain = text.replace("\\", "/")
    while plain.startswith("./"):
        plain = plain[2:]
    return film_name(plain)


def _number(path: Path, line: int, name: str, text: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise TruthError(f"{path}: line {line}: {name} is not a number")
    return value


def _pair(first: float | None, second: float | None) -> tuple[float, float] | None:
    return None if first is None or second is None else (first, second)


def _with_landmarks(feet: list[TrueFoot], path: Path) -> list[TrueFoot]:
    codes = frozenset(landmark_schema().codes)
    points: dict[tuple[str, int], dict[str, tuple[float, float]]] = {}
    for line, row in _rows(path, ("film", "foot_index", "landmark", "x", "y")):
        x, y = (_number(path, line, name, row[name]) for name in ("x", "y"))
        if not row["foot_index"].isdigit():
            raise TruthError(f"{path}: line {line}: foot_index is not a count")
        if row["landmark"] not in codes:
            raise TruthError(f"{path}: line {line}: no landmark is called {row['landmark']}")
        if x is not None and y is not None:
            key = normal_film(row["film"]), int(row["foot_index"])
            points.setdefault(key, {})[row["landmark"]] = (x, y)
    seen: dict[str, int] = {}
    placed = []
    for foot in feet:
        index = seen.get(foot.film, 0)
        seen[foot.film] = index + 1
        landmarks = points.get((foot.film, index), {})
        placed.append(replace(foot, landmarks=landmarks))
    return placed

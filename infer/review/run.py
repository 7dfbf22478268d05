"""A finished run, read back for review: feet and films by number, landmarks on demand."""

from __future__ import annotations

import csv
import hashlib
import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from raysplay.configs.load import ConfigError, digest, landmark_schema, shipped
from raysplay.configs.protocol import ReadingProtocol, protocol, read_protocol
from raysplay.infer.outputs.table_digests import KEY
from raysplay.infer.outputs.tables import CROPS_HEADER, FILMS_HEADER, number_columns
from raysplay.infer.records import FloatArray
from raysplay.measure import Measure, by_name

IntArray = npt.NDArray[np.int64]

WEIGHTS_DIR = Path(__file__).parents[1] / "weights"

_READ_BY_A_RUN = ("decision.yaml", "films.yaml", "landmarks.yaml", "reading.yaml")
"""Configurations that shape a run besides its protocol."""

TABLES_READ = ("feet.csv", "films.csv", "crops.csv", "landmarks.parquet")

_GROUPS_KEPT = 8
"""Row groups of ``landmarks.parquet`` kept decoded; each holds some hundred feet."""


class RunError(ValueError):
    """A folder that holds no run fit for review; the message names it and says why."""


@dataclass(frozen=True)
class FilmFacts:
    """What the run knew of a film's pixels; sides 0 and digest empty where the file yielded none."""

    name: str
    sha256: str
    rows: int
    columns: int
    row_mm: float | None
    column_mm: float | None
    aspect: float
    spacing: str
    remarks: str


@dataclass(frozen=True)
class FootLandmarkTable:
    """Landmarks of one foot in schema order, as the run left them; ``nan`` where not placed.

    ``points`` (L, 2) and ``covariance`` (L, 2, 2) in pixels of the film, ``confidence`` (L,).
    """

    points: FloatArray
    covariance: FloatArray
    confidence: FloatArray


class ReviewRun:
    """Tables of a run. Feet and films are numbered from 0, in the order of ``feet.csv`` and ``films.csv``.

    Attributes
    ----------
    folder : Path
    identity : str
        SHA-256 of ``run.json``; no two runs share it.
    films_folder : Path or None
        Where the films lay when they were measured.
    measures : tuple of Measure
        What the run reported, as it built it.
    film_of, foot_index : ndarray of int, shape (F,)
        Film of every foot, and its place among the feet of that film.
    films, sides, decisions, reasons : pyarrow string arrays, length F
        Columns of ``feet.csv``; the side is empty where no foot was found.
    values : ndarray, shape (F, M, 3)
        Value, low and high of every reported measure; ``nan`` where withheld.

    Raises
    ------
    RunError
        If a table is missing or cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        about = folder / "run.json"
        try:
            text = about.read_bytes()
            self.about: dict[str, Any] = json.loads(text)
            constructions: dict[str, str] = self.about["protocol"]["constructions"]
            self.measures: tuple[Measure, ...] = tuple(by_name(*pair) for pair in constructions.items())
            films = self.about.get("films")
        except OSError as error:
            raise RunError(
                f"{about}: cannot be read ({error.strerror}); is this the folder of a finished run?"
            ) from error
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise RunError(f"{about}: not the summary of a run ({type(error).__name__})") from error
        self.identity = hashlib.sha256(text).hexdigest()
        self.films_folder = Path(films) if films else None
        feet = _table(folder / "feet.csv", {name: pa.float64() for name in number_columns(self.measures)})
        self._film_table = _table(
            folder / "films.csv",
            {name: pa.float64() for name in ("feet", "rows", "columns", "row_mm", "column_mm", "aspect")},
            FILMS_HEADER,
        )
        self.films, self.sides, self.decisions, self.reasons = (
            feet[name].combine_chunks() for name in ("film", "foot", "decision", "reasons")
        )
        self.film_of: IntArray = _numbers(pc.index_in(self.films, value_set=self._film_table["film"]), np.int64)
        if len(self.film_of) and self.film_of.min() < 0:
            raise RunError(f"{folder / 'feet.csv'}: names films that films.csv does not")
        self.foot_index = _place_among_equals(self.film_of)
        columns = [_numbers(feet[name], np.float64) for name in number_columns(self.measures)]
        self.values: FloatArray = np.stack(columns, axis=-1).reshape(len(self.film_of), len(self.measures), 3)
        self._crops = self._read_crops(folder / "crops.csv")
        self._open_landmarks(folder / "landmarks.parquet")

    def __len__(self) -> int:
        return len(self.film_of)

    @property
    def film_count(self) -> int:
        return int(self._film_table.num_rows)

    def film(self, index: int) -> FilmFacts:
        """One film by number."""
        row = {name: self._film_table[name][index].as_py() for name in FILMS_HEADER}
        return FilmFacts(
            row["film"],
            row["sha256"],
            int(row["rows"] or 0),
            int(row["columns"] or 0),
            row["row_mm"],
            row["column_mm"],
            row["aspect"] or 1.0,
            row["spacing"],
            row["remarks"],
        )

    def digests(self) -> list[str]:
        """SHA-256 of every film, empty where the file yielded none."""
        digests: list[str] = self._film_table["sha256"].to_pylist()
        return digests

    def landmarks(self, foot: int) -> FootLandmarkTable:
        """Landmarks of one foot, all ``nan`` for a refused one."""
        schema = landmark_schema()
        count = len(schema)
        points, covariance = np.full((count, 2), np.nan), np.full((count, 2, 2), np.nan)
        confidence = np.zeros(count)
        film, index = self.films[foot].as_py(), int(self.foot_index[foot])
        for number, (first, last) in enumerate(self._spans):
            if not first <= film <= last:
                continue
            group = self._group(number)
            mine = group.filter(pc.and_(pc.equal(group["film"], film), pc.equal(group["foot_index"], index)))
            for row in mine.to_pylist():
                if row["landmark"] not in schema.codes:
                    continue
                i = schema.index(row["landmark"])
                points[i] = row["x"], row["y"]
                covariance[i] = [[row["var_x"], row["cov_xy"]], [row["cov_xy"], row["var_y"]]]
                confidence[i] = row["confidence"]
        return FootLandmarkTable(points, covariance, confidence)

    def crop(self, foot: int) -> FloatArray | None:
        """Corners (4, 2) of the upright crop on the film: distal medial, then round by the lateral side.

        None where no foot was found.
        """
        corners = self._crops[foot]
        return corners if np.isfinite(corners).all() else None

    def protocol(self) -> ReadingProtocol:
        """The run's protocol if its file is still what it was, else the shipped one."""
        recorded = self.about["protocol"]
        path = Path(recorded.get("file", ""))
        try:
            if digest(path) == recorded.get("sha256"):
                return read_protocol(path)
        except (OSError, ConfigError):
            pass
        return protocol()

    def changes(self) -> list[str]:
        """What is no longer as it was when the run was made, in sentences."""
        said = []
        if KEY not in self.about:
            said.append(
                "This run was made by an earlier version: whether its tables were changed since, cannot be told."
            )
        recorded = self.about.get("digests", {})
        now = {path.name: path for path in WEIGHTS_DIR.glob("*.safetensors")}
        for name, known in recorded.get("weights", {}).items():
            if name in now and digest(now[name]) != known:
                said.append(f"The weights {name} of this run are not those that ship now: a new run may differ.")
        for name in _READ_BY_A_RUN:
            if recorded.get("configs", {}).get(name) != digest(shipped(name)):
                said.append(f"The configuration {name} has changed since this run.")
        path = Path(self.about["protocol"].get("file", ""))
        if not path.is_file() or digest(path) != self.about["protocol"].get("sha256"):
            said.append(
                "The protocol file of this run has changed or is gone: its measures are kept, the rest is as shipped."
            )
        return said

    def _read_crops(self, path: Path) -> FloatArray:
        """Corners of every foot, shape (F, 4, 2), ``nan`` where there are none; rows as in ``feet.csv``."""
        numbers = CROPS_HEADER[3:]
        table = _table(path, dict.fromkeys(("foot_index", *numbers), pa.float64()), CROPS_HEADER)
        found = np.flatnonzero(np.asarray(pc.greater(pc.utf8_length(self.sides), 0)))
        names = self.films.take(pa.array(found))
        if not names.equals(table["film"].combine_chunks()):
            raise RunError(f"{path}: does not name the feet of feet.csv")
        corners = np.full((len(self), len(numbers)), np.nan)
        corners[found] = np.stack([_numbers(table[name], np.float64) for name in numbers], axis=-1)
        return corners.reshape(-1, 4, 2)

    def _open_landmarks(self, path: Path) -> None:
        try:
            self._landmark_file = pq.ParquetFile(path, memory_map=True, page_checksum_verification=True)
            about = self._landmark_file.metadata
            column = self._landmark_file.schema_arrow.get_field_index("film")
            spans = [about.row_group(i).column(column).statistics for i in range(about.num_row_groups)]
        except (OSError, pa.ArrowException) as error:
            raise RunError(f"{path}: cannot be read ({type(error).__name__})") from error
        # A group whose names are not summed up may hold any film.
        self._spans = [
            (one.min, one.max) if one is not None and one.has_min_max else ("", "\U0010ffff") for one in spans
        ]
        self._group = lru_cache(maxsize=_GROUPS_KEPT)(self._read_group)

    def _read_group(self, number: int) -> pa.Table:
        try:
            return self._landmark_file.read_row_group(number)
        except (OSError, pa.ArrowException) as error:
            raise RunError(
                f"{self.folder / 'landmarks.parquet'}: is damaged ({type(error).__name__}); restore it from a copy"
            ) from error


def _table(path: Path, types: dict[str, pa.DataType], header: tuple[str, ...] | None = None) -> pa.Table:
    """A table of the run; columns without a type are text."""
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            names = next(csv.reader(stream), [])
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise RunError(f"{path}: cannot be read ({type(error).__name__})") from error
    missing = [name for name in (header or tuple(types)) if name not in names]
    if missing:
        raise RunError(f"{path}: no column {', '.join(missing)}; measure the films again with this version")
    try:
        options = pacsv.ConvertOptions(column_types={name: types.get(name, pa.string()) for name in names})
        return pacsv.read_csv(path, convert_options=options).combine_chunks()
    except (OSError, pa.ArrowException) as error:
        raise RunError(f"{path}: cannot be read ({type(error).__name__})") from error


def _numbers(column: pa.ChunkedArray | pa.Array, kind: type) -> npt.NDArray[Any]:
    return np.asarray(pc.fill_null(column, np.nan if kind is np.float64 else -1), dtype=kind)


def _place_among_equals(film_of: IntArray) -> IntArray:
    """Place of each foot among the feet of its film, whose rows lie together."""
    number = np.arange(len(film_of))
    starts = np.concatenate([[True], film_of[1:] != film_of[:-1]])[: len(film_of)]
    return number - np.maximum.accumulate(np.where(starts, number, 0))

"""A finished run, read back: feet and films by number, landmarks on demand.

Review, export, evaluation and the Python interface are views of it.
"""

from __future__ import annotations

import contextlib
import hashlib
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from raysplay.configs.load import ConfigError, digest, landmark_schema, shipped
from raysplay.configs.proof import ForeignError, proofs
from raysplay.configs.protocol import ReadingProtocol, protocol, read_protocol
from raysplay.infer.decide.wording import DECIMALS
from raysplay.infer.films.person import AGE_BANDS
from raysplay.infer.films.remark import Remark
from raysplay.infer.films.settings import film_settings
from raysplay.infer.outputs.run_files import ABOUT
from raysplay.infer.outputs.run_tables import (
    WHAT_MEASURE_WRITES,
    LandmarkFile,
    RunError,
    RunFormatError,
    RunSummary,
    check,
    read_summary,
    read_table,
)
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.outputs.table_digests import changed_table
from raysplay.infer.outputs.tables import (
    BEAM,
    CROPS_HEADER,
    FEET_ABOUT,
    FEET_ADDED,
    FEET_NOTES,
    FILMS_ADDED,
    FILMS_HEADER,
    number_columns,
    read_reasons,
    read_remarks,
    read_withheld_cell,
)
from raysplay.infer.reason import Reason
from raysplay.infer.records import BeamAngle, FloatArray, Outcome, Withheld
from raysplay.infer.shipped_weights import WEIGHTS_DIR
from raysplay.measure import Measure, by_name
from raysplay.measure.sides import SIDES

if TYPE_CHECKING:
    from raysplay.infer.named_films import NamedFilms

__all__ = ["FilmFacts", "FinishedRun", "FootLandmarkTable", "RunError", "RunFormatError", "read_run"]

IntArray = npt.NDArray[np.int64]
Said = TypeVar("Said", Reason, Remark)

READ_BY_A_RUN = ("decision.yaml", "films.yaml", "landmarks.yaml", "reading.yaml")
"""Configurations that shape a run besides its protocol."""

TABLES_READ = ("feet.csv", "films.csv", "crops.csv", "landmarks.parquet")
_LATER_FILM_COLUMNS = ("remark_kinds", "person", "taken", "loading")
_FIRST_FEET_COLUMNS = ("film", "foot", "foot_index", "decision", "reasons")
"""Columns that runs of before formats had numbers may lack, and those that they have."""

_WRITTEN = {"sha256": "^([0-9a-f]{64})?$", "person": "^([0-9a-f]{16})?$", "taken": "^([0-9]{4}-[0-9]{2}-[0-9]{2})?$"}
_WRITTEN |= {"sex": "^[MFO]?$", "age": f"^({'|'.join(AGE_BANDS)})?$"}

_UPRIGHT = 90.0
"""No beam that makes a shadow leans further, degrees."""

_GROUPS_KEPT = 8
"""Row groups of ``landmarks.parquet`` kept decoded; each holds some hundred feet."""

_PROTOCOL_BYTES = 2**20
_LONGEST_PIXEL = 100.0
"""Millimetres; also the most that a pixel can be longer than wide."""


@dataclass(frozen=True)
class FilmFacts:
    """What the run knew of a film; sides 0 and digest empty where the file yielded none.

    ``person`` is the run's code of whose film it is, ``taken`` the day (ISO 8601); empty where unknown.
    """

    name: str
    sha256: str
    rows: int
    columns: int
    row_mm: float | None
    column_mm: float | None
    aspect: float
    spacing: str
    remarks: tuple[Remark, ...]
    person: str = ""
    taken: str = ""
    loading: str = ""


@dataclass(frozen=True)
class FootLandmarkTable:
    """Landmarks of one foot in schema order, as the run left them; ``nan`` where not placed.

    ``points`` (L, 2) and ``covariance`` (L, 2, 2) in pixels of the film, ``confidence`` (L,).
    """

    points: FloatArray
    covariance: FloatArray
    confidence: FloatArray


class FinishedRun:
    """Tables of a run. Feet and films are numbered from 0, in the order of ``feet.csv`` and ``films.csv``.

    Parameters
    ----------
    folder : Path
    earlier : bool
        Whether a run of before formats had numbers is taken, too: never to show a number of it, only to note what
        reads were made on.
    summary : (RunSummary, bytes), optional
        What :func:`~raysplay.infer.outputs.run_tables.read_summary` gave, where the caller has read it.

    Attributes
    ----------
    folder : Path
    recorded : RunSummary
        What ``run.json`` says.
    identity : str
        SHA-256 of ``run.json``; no two runs share it.
    films_folder : Path or None
        Where the films lay when they were measured.
    named : NamedFilms or None
        Where they lie now, for a run under a key for names; None until whoever holds the key says so.
    measures : tuple of Measure
        What the run reported, as it built it.
    film_of, foot_index : ndarray of int, shape (F,)
        Film of every foot, and its place among the feet of that film.
    films, sides, decisions, reason_texts : pyarrow string arrays, length F
        Columns of ``feet.csv``; the side is empty where no foot was found.
    reasons : list of tuple of Reason, length F
        Of the decision.
    values : ndarray, shape (F, M, 3)
        Value, low and high of every reported measure with the decimals that are meant; ``nan`` where withheld.
    proven : frozenset of str
        Measures whose error is known on bones that no generator drew, with the weights of the run.

    Raises
    ------
    RunError
        If a file is missing, no regular file, too large, or not what ``raysplay measure`` writes.
    """

    def __init__(self, folder: Path, *, earlier: bool = False, summary: tuple[RunSummary, bytes] | None = None) -> None:
        self.folder = folder
        limits = output_settings().run
        about = folder / ABOUT
        self.recorded, content = summary or read_summary(about, limits, earlier=earlier)
        recorded = self.recorded.protocol
        try:
            self.measures: tuple[Measure, ...] = tuple(by_name(*pair) for pair in recorded.constructions.items())
        except (KeyError, ValueError) as error:
            raise RunError(f"{about}: names a measure or construction that this version does not know") from error
        self.identity = hashlib.sha256(content).hexdigest()
        self._seen = _stamp(about)
        self.proven = self.proven_among(self.measures) if recorded.proven is None else frozenset(recorded.proven)
        self.films_folder = Path(self.recorded.films) if self.recorded.films else None
        self.named: NamedFilms | None = None
        numbers = number_columns(self.measures)
        path = folder / "feet.csv"
        about_feet = (*FEET_ABOUT, *FEET_NOTES)
        always = _FIRST_FEET_COLUMNS if earlier else tuple(name for name in about_feet if name not in FEET_ADDED)
        later = tuple(name for name in about_feet if name not in always)
        feet = read_table(path, ("foot_index", *numbers, *BEAM), (*always, *numbers), limits, later)
        lacking = (*FILMS_ADDED, *(_LATER_FILM_COLUMNS if earlier else ()))
        self._film_table = self._read_films(folder / "films.csv", lacking)
        self.films, self.sides, self.decisions, self.reason_texts = (
            feet[name].combine_chunks() for name in ("film", "foot", "decision", "reasons")
        )
        check(path, "foot", pc.is_in(self.sides, pa.array(["", *SIDES])))
        check(path, "decision", pc.is_in(self.decisions, pa.array([one.value for one in Outcome])))
        self.reasons: list[tuple[Reason, ...]] = [()] * feet.num_rows
        if "reason_kinds" in feet.column_names:
            self.reasons = _typed(path, feet, ("reasons", "reason_kinds"), read_reasons)
        self.film_of: IntArray = _numbers(pc.index_in(self.films, value_set=self._film_table["film"]), np.int64)
        if len(self.film_of) and self.film_of.min() < 0:
            raise RunError(f"{path}: names films that films.csv does not")
        self.foot_index = _place_among_equals(self.film_of)
        stated = _numbers(feet["foot_index"], np.float64)
        check(path, "foot_index", np.isnan(stated) | (stated == self.foot_index))
        check(path, "film", np.array(_together(self.film_of)))
        self.values = _values(path, feet, self.measures)
        self._beam = _beam(path, feet)
        self._withheld = feet["withheld"].combine_chunks() if "withheld" in feet.column_names else None
        self._crops = self._read_crops(folder / "crops.csv")
        self._landmarks = LandmarkFile(folder / "landmarks.parquet", len(self) * len(landmark_schema()), limits)
        self._reading = threading.Lock()
        self._group = lru_cache(maxsize=_GROUPS_KEPT)(self._landmarks.group)

    def __len__(self) -> int:
        return len(self.film_of)

    @property
    def film_count(self) -> int:
        """Rows of ``films.csv``."""
        return int(self._film_table.num_rows)

    def film(self, index: int) -> FilmFacts:
        """One film by number."""
        known = [name for name in FILMS_HEADER if name in self._film_table.column_names]
        row = {name: self._film_table[name][index].as_py() for name in known}
        return FilmFacts(
            row["film"],
            row["sha256"],
            int(row["rows"] or 0),
            int(row["columns"] or 0),
            row["row_mm"],
            row["column_mm"],
            row["aspect"] or 1.0,
            row["spacing"],
            read_remarks(row["remarks"], row["remark_kinds"]) if "remark_kinds" in row else (),
            row.get("person") or "",
            row.get("taken") or ("" if self.named is None else self.named.taken(row["film"])),
            row.get("loading") or "",
        )

    def film_names(self) -> list[str]:
        """Names of all films, in the order of ``films.csv``."""
        names: list[str] = self._film_table["film"].to_pylist()
        return names

    def stated(self, column: Literal["person", "taken", "loading", "sex", "age", "remark_kinds"]) -> list[str]:
        """What ``films.csv`` has of every film in one column; empty where it has nothing, or lacks the column."""
        if column not in self._film_table.column_names:
            return [""] * self.film_count
        return [cell or "" for cell in self._film_table[column].to_pylist()]

    def digests(self) -> list[str]:
        """SHA-256 of every film, empty where the file yielded none."""
        digests: list[str] = self._film_table["sha256"].to_pylist()
        return digests

    def films_of(self, person: str) -> IntArray:
        """Films that carry a person's code, by number; none for an empty code."""
        if not person or "person" not in self._film_table.column_names:
            return np.zeros(0, dtype=np.int64)
        same = pc.equal(self._film_table["person"], person)
        return np.flatnonzero(np.asarray(same, dtype=np.bool_))

    @property
    def names_persons(self) -> bool:
        """Whether the run kept codes of persons at all."""
        return "person" in self._film_table.column_names

    def withheld(self, foot: int) -> dict[str, Withheld | None]:
        """Measures of a foot that the run withheld, and why; None where an earlier version did not keep the reason."""
        if self.decisions[foot].as_py() == "refused":
            return {}
        told: dict[str, Withheld | None] = {}
        if self._withheld is not None:
            with contextlib.suppress(ValueError):  # a reason that this version does not know
                told.update(read_withheld_cell(self._withheld[foot].as_py()))
        for i, measure in enumerate(self.measures):
            if np.isnan(self.values[foot, i, 0]):
                told.setdefault(measure.name, None)
        return told

    def proven_among(self, measures: tuple[Measure, ...]) -> frozenset[str]:
        """Names of the measures that are proven for the weights of this run as the package knows it now."""
        return proofs().proven(measures, self.recorded.digests.weights)

    def foreign_error(self, measure: Measure) -> ForeignError | None:
        """What is known of a measure's error on bones that no generator drew, with the weights of this run."""
        return proofs().error(measure, proofs().reader_of(self.recorded.digests.weights))

    def is_current(self) -> bool:
        """Whether the folder still holds this run: another one may have been measured into it meanwhile."""
        about = self.folder / ABOUT
        stamp = _stamp(about)
        if stamp == self._seen:
            return True
        try:
            if stamp is None or digest(about, output_settings().run.summary_bytes) != self.identity:
                return False
        except OSError:
            return False
        self._seen = stamp
        return True

    def landmarks(self, foot: int) -> FootLandmarkTable:
        """Landmarks of one foot, all ``nan`` for a refused one."""
        schema = landmark_schema()
        count = len(schema)
        points, covariance = np.full((count, 2), np.nan), np.full((count, 2, 2), np.nan)
        confidence = np.zeros(count)
        film, index = self.films[foot].as_py(), int(self.foot_index[foot])
        for number, (first, last) in enumerate(self._landmarks.spans):
            if not first <= film <= last:
                continue
            with self._reading:
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

    def landmark_groups(self) -> Iterator[pa.Table]:
        """All of ``landmarks.parquet``, group by group in the order of the films.

        Raises
        ------
        RunError
            If a group is damaged.
        """
        for number in range(len(self._landmarks.spans)):
            with self._reading:
                group = self._group(number)
            yield group

    def beam(self, foot: int) -> BeamAngle | None:
        """How the beam met a foot, in whole degrees; None where the run does not say it."""
        value, low, high = self._beam[foot]
        return None if np.isnan(value) else BeamAngle(float(value), float(low), float(high))

    def crop(self, foot: int) -> FloatArray | None:
        """Corners (4, 2) of the upright crop on the film: distal medial, then round by the lateral side.

        None where no foot was found.
        """
        corners = self._crops[foot]
        return corners if np.isfinite(corners).all() else None

    def protocol(self) -> ReadingProtocol:
        """The run's protocol if its file is still what it was, else the shipped one."""
        if self._protocol_stands():
            try:
                return read_protocol(Path(self.recorded.protocol.file))
            except ConfigError:
                pass
        return protocol()

    def _protocol_stands(self) -> bool:
        recorded = self.recorded.protocol
        try:
            return digest(Path(recorded.file), _PROTOCOL_BYTES) == recorded.sha256
        except OSError:
            return False

    def changes(self) -> list[str]:
        """What is no longer as it was when the run was made, in sentences."""
        said = []
        recorded = self.recorded.digests
        now = {path.name: path for path in WEIGHTS_DIR.glob("*.safetensors")}
        for name, known in recorded.weights.items():
            if name in now and digest(now[name]) != known:
                said.append(f"The weights {name} of this run are not those that ship now: a new run may differ.")
        for name in READ_BY_A_RUN:
            if recorded.configs.get(name) != digest(shipped(name)):
                said.append(f"The configuration {name} has changed since this run.")
        if not self._protocol_stands():
            said.append(
                "The protocol file of this run has changed or is gone: its measures are kept, the rest is as shipped."
            )
        return said

    def _read_films(self, path: Path, later: tuple[str, ...]) -> pa.Table:
        numbers = ("feet", "rows", "columns", "row_mm", "column_mm", "aspect")
        always = tuple(name for name in FILMS_HEADER if name not in later)
        table = read_table(path, numbers, always, output_settings().run, later)
        if "remark_kinds" in table.column_names:
            _typed(path, table, ("remarks", "remark_kinds"), read_remarks)
        most = film_settings().max_side
        names = table["film"].to_pylist()
        check(path, "film", np.array(len(set(names)) == len(names) and "" not in names))
        for name in ("rows", "columns"):
            side = _numbers(table[name], np.float64)
            check(path, name, np.isnan(side) | ((side >= 1) & (side <= most) & (side == np.round(side))))
        for name in ("row_mm", "column_mm", "aspect"):
            length = _numbers(table[name], np.float64)
            check(path, name, np.isnan(length) | ((length >= 1 / _LONGEST_PIXEL**2) & (length <= _LONGEST_PIXEL)))
        for name, pattern in _WRITTEN.items():
            if name in table.column_names:
                check(path, name, pc.match_substring_regex(table[name], pattern))
        return table

    def _read_crops(self, path: Path) -> FloatArray:
        """Corners of every foot, shape (F, 4, 2), ``nan`` where there are none; rows as in ``feet.csv``."""
        limits, numbers = output_settings().run, CROPS_HEADER[3:]
        table = read_table(path, ("foot_index", *numbers), CROPS_HEADER, limits)
        found = np.flatnonzero(np.asarray(pc.greater(pc.utf8_length(self.sides), 0)))
        rows = pa.array(found)
        same = self.films.take(rows).equals(table["film"].combine_chunks()) and self.sides.take(rows).equals(
            table["foot"].combine_chunks()
        )
        if not same or not np.array_equal(_numbers(table["foot_index"], np.float64), self.foot_index[found]):
            raise RunError(f"{path}: does not name the feet of feet.csv")
        corners = np.full((len(self), len(numbers)), np.nan)
        corners[found] = np.stack([_numbers(table[name], np.float64) for name in numbers], axis=-1)
        check(path, "of a corner", np.isnan(corners) | (np.abs(corners) <= limits.coordinate))
        return corners.reshape(-1, 4, 2)


def read_run(folder: Path) -> FinishedRun:
    """The run in a folder, if it is of the format that is read and its tables are those that the run wrote.

    Raises
    ------
    RunFormatError
        If another version wrote it in another format.
    RunError
        If there is none, a table was changed after the run, or a file is not what ``raysplay measure`` writes.
    """
    summary = read_summary(folder / ABOUT, output_settings().run)
    if changed := changed_table(folder, TABLES_READ):
        raise RunError(changed)
    return FinishedRun(folder, summary=summary)


def _typed(
    path: Path, table: pa.Table, columns: tuple[str, str], read: Callable[[str, str], tuple[Said, ...]]
) -> list[tuple[Said, ...]]:
    """What stands in two columns, sentences and their kinds; rows that say the same share it."""
    read_once = lru_cache(maxsize=None)(read)
    try:
        return [read_once(*cells) for cells in zip(*(table[name].to_pylist() for name in columns), strict=True)]
    except ValueError as error:
        said = f"column {columns[1]} {WHAT_MEASURE_WRITES}; measure the films again with this version"
        raise RunError(f"{path}: {said}") from error


def _stamp(path: Path) -> tuple[int, int, int] | None:
    """What changes when a file is written anew; None where there is none."""
    try:
        about = path.stat()
    except OSError:
        return None
    return about.st_ino, about.st_size, about.st_mtime_ns


def _numbers(column: pa.ChunkedArray | pa.Array, kind: type) -> npt.NDArray[Any]:
    return np.asarray(pc.fill_null(column, np.nan if kind is np.float64 else -1), dtype=kind)


def _values(path: Path, feet: pa.Table, measures: Sequence[Measure]) -> FloatArray:
    """Value, low and high of every measure, shape (F, M, 3): all three or none."""
    columns = [_numbers(feet[name], np.float64) for name in number_columns(measures)]
    values: FloatArray = np.stack(columns, axis=-1).reshape(feet.num_rows, len(measures), 3)
    gaps = np.isnan(values)
    check(path, "of a measure", (gaps.all(axis=2) == gaps.any(axis=2)))
    for i, measure in enumerate(measures):  # tables of earlier versions have more decimals
        values[:, i] = values[:, i].round(DECIMALS[measure.unit]) + 0.0
    return values


def _beam(path: Path, feet: pa.Table) -> FloatArray:
    """The beam's angle with its interval, shape (F, 3), degrees: all three, in their order, or none."""
    if not set(BEAM) <= set(feet.column_names):
        return np.full((feet.num_rows, len(BEAM)), np.nan)
    beam = np.stack([_numbers(feet[name], np.float64) for name in BEAM], axis=-1)
    gaps = np.isnan(beam)
    value, low, high = beam.T
    ordered = (low >= -_UPRIGHT) & (low <= value) & (value <= high) & (high <= _UPRIGHT)
    check(path, "of the beam's angle", gaps.all(axis=1) | ordered)
    return beam


def _place_among_equals(film_of: IntArray) -> IntArray:
    """Place of each foot among the feet of its film, whose rows lie together."""
    number = np.arange(len(film_of))
    starts = np.concatenate([[True], film_of[1:] != film_of[:-1]])[: len(film_of)]
    return number - np.maximum.accumulate(np.where(starts, number, 0))


def _together(film_of: IntArray) -> bool:
    """Whether the rows of each film follow one another."""
    return not len(film_of) or 1 + np.count_nonzero(np.diff(film_of)) == np.count_nonzero(np.bincount(film_of))

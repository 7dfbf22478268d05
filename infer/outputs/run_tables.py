"""Files of a run, read as if a stranger had written them: bounded in size, and every cell what it should be."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
from pydantic import AfterValidator, BaseModel, Field, StrictInt, ValidationError

from raysplay.configs.errors import RaysplayError
from raysplay.configs.plain_file import open_plain, read_plain
from raysplay.configs.plain_words import told
from raysplay.infer.outputs.landmarks_table import COLUMNS
from raysplay.infer.outputs.run_format import other_format
from raysplay.infer.outputs.settings import RunLimits

FloatArray = npt.NDArray[np.float64]

_HEADER_BYTES = 65536
WHAT_MEASURE_WRITES = "is not what `raysplay measure` writes"
_COVARIANCE_SLACK = 1e-6
"""Share by which a covariance may pass the product of its variances, for rounding."""


class RunError(RaysplayError, ValueError):
    """A folder that holds no run that can be read; the message names it and says why."""


class RunFormatError(RunError):
    """A run of another version's format; the message says which it is, what is read and what to do."""


def _no_null_byte(text: str) -> str:
    if "\0" in text:
        raise ValueError("is no path")
    return text


PathText = Annotated[str, Field(max_length=4096), AfterValidator(_no_null_byte)]
Names = Annotated[dict[str, str], Field(max_length=1000)]


class RecordedProtocol(BaseModel):
    """What ``run.json`` keeps of the protocol: file, digest, construction by measure, and which are proven."""

    file: PathText = ""
    sha256: str = ""
    constructions: Annotated[dict[str, str], Field(min_length=1, max_length=1000)]
    proven: Annotated[tuple[str, ...], Field(max_length=1000)] | None = None
    """None of a run by an earlier version."""


class _Stated(BaseModel):
    format: StrictInt | None = None


class RecordedDigests(BaseModel):
    """SHA-256 of weights and configurations by name of the file."""

    weights: Names = {}
    configs: Names = {}


class RunSummary(BaseModel):
    """What a reader needs of ``run.json``; the rest is not looked at."""

    protocol: RecordedProtocol
    films: PathText | None = None
    digests: RecordedDigests = RecordedDigests()
    films_per_minute: Annotated[float, Field(allow_inf_nan=False)] | None = None
    tables: Names | None = None
    """SHA-256 by table."""
    name_key: Annotated[str, Field(pattern="^[0-9a-f]{16}$")] | None = None
    """Mark of the key under which films have identifiers; None where their names stand in the tables."""


def read_summary(path: Path, limits: RunLimits, *, earlier: bool = False) -> tuple[RunSummary, bytes]:
    """``run.json``, checked, and its bytes.

    Parameters
    ----------
    path : Path
    limits : RunLimits
    earlier : bool
        Whether a run of before formats had numbers is taken, too.

    Raises
    ------
    RunError
        If it is missing, too large, no JSON, lacks something, or is of a format that is not read.
    """
    try:
        content = read_plain(path, limits.summary_bytes)
        stated = _Stated.model_validate_json(content).format
        # What a newer version writes need not fit this one's model.
        if stated is not None and (other := other_format(path.parent, stated)):
            raise RunFormatError(other)
        summary = RunSummary.model_validate_json(content)
        if stated is None and not earlier:
            raise RunFormatError(other_format(path.parent, stated))
        if stated is not None and summary.tables is None:
            raise RunError(f"{path}: not the summary of a run (tables: is missing)")
        return summary, content
    except OSError as error:
        raise RunError(f"{path}: cannot be read ({error.strerror}); is this the folder of a finished run?") from error
    except ValidationError as error:
        raise RunError(f"{path}: not the summary of a run ({told(error.errors())})") from error


def read_table(
    path: Path, numbers: Sequence[str], header: Sequence[str], limits: RunLimits, optional: Sequence[str] = ()
) -> pa.Table:
    """A CSV table of the run: columns of ``numbers`` are floats, others text that can be seen.

    It has all columns of ``header``, and those of ``optional`` unless an earlier version wrote it.

    Raises
    ------
    RunError
        If it is missing, too large, lacks a column of ``header``, or a cell is not what it should be.
    """
    try:
        content = read_plain(path, limits.table_bytes)
        names = next(csv.reader([content[:_HEADER_BYTES].split(b"\n", 1)[0].decode("utf-8").rstrip("\r")]), [])
    except OSError as error:
        raise RunError(f"{path}: cannot be read ({error.strerror})") from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise RunError(f"{path}: is no table, or not in UTF-8") from error
    if missing := [name for name in header if name not in names]:
        raise RunError(f"{path}: no column {', '.join(missing)}; measure the films again with this version")
    if len(set(names)) != len(names):
        raise RunError(f"{path}: a column stands twice")
    types = {name: pa.float64() if name in numbers else pa.string() for name in names}
    try:
        table = pacsv.read_csv(
            pa.BufferReader(content), convert_options=pacsv.ConvertOptions(column_types=types)
        ).combine_chunks()
    except pa.ArrowException as error:
        column = re.search(r"column #(\d+)", str(error))
        which = f"column {names[int(column[1])]}" if column and int(column[1]) < len(names) else "a row"
        raise RunError(f"{path}: {which} {WHAT_MEASURE_WRITES}") from error
    if table.num_rows > limits.rows:
        raise RunError(f"{path}: more than {limits.rows} rows")
    for name in (*header, *(name for name in optional if name in names)):
        column = table[name]
        wrong = _infinite(column) if name in numbers else _unwritten(column, limits.text_characters)
        if wrong:
            raise RunError(f"{path}: column {name} {WHAT_MEASURE_WRITES}")
    return table


def check(path: Path, name: str, fits: pa.ChunkedArray | pa.Array | npt.NDArray[np.bool_]) -> None:
    """Refuse a table whose column does not fit everywhere; an empty cell is told apart by the caller.

    Parameters
    ----------
    path : Path
        Of the table, for the error.
    name : str
        Of the column.
    fits : array of bool, shape (rows,)
        Whether each cell is what it should be.

    Raises
    ------
    RunError
        If one is not; it names table and column, and no cell.
    """
    if not np.all(np.asarray(fits)):
        raise RunError(f"{path}: column {name} {WHAT_MEASURE_WRITES}")


def _infinite(column: pa.ChunkedArray) -> bool:
    return not pc.all(pc.is_finite(pc.drop_null(column)), min_count=0).as_py()


def _unwritten(column: pa.ChunkedArray, longest: int) -> bool:
    """Whether a text is longer than any, has characters that cannot be seen, or would be run by a spreadsheet."""
    if not len(column):
        return False
    too_long = (pc.max(pc.utf8_length(column)).as_py() or 0) > longest
    formula = bool(pc.any(pc.match_substring_regex(column, r"^\s*[=+\-@]")).as_py())
    return too_long or formula or not all(map(str.isprintable, column.to_pylist()))


class LandmarkFile:
    """``landmarks.parquet``, group by group of some hundred feet.

    Parameters
    ----------
    path : Path
    most_rows : int
        Rows of a run with so many feet, at the most.
    limits : RunLimits

    Attributes
    ----------
    spans : list of (str, str)
        First and last film of each group.

    Raises
    ------
    RunError
        If it is missing, too large, of other columns, or a number in it is none that a landmark can have.
    """

    def __init__(self, path: Path, most_rows: int, limits: RunLimits) -> None:
        self._path, self._limits = path, limits
        try:
            self._file = pq.ParquetFile(open_plain(path, limits.landmark_bytes), page_checksum_verification=True)
            about = self._file.metadata
            self._check_layout(most_rows)
            self.spans = list(self._sound_spans(about.num_row_groups))
        except OSError as error:
            # Arrow raises OSError without a reason for a file that it cannot make out.
            why = error.strerror or "it is no table of landmarks, or damaged"
            raise RunError(f"{path}: cannot be read ({why})") from error
        except (pa.ArrowException, ValueError) as error:
            if isinstance(error, RunError):
                raise
            raise RunError(f"{path}: cannot be read (it is no table of landmarks, or damaged)") from error

    def close(self) -> None:
        """Close the file."""
        self._file.close(force=True)

    def group(self, number: int) -> pa.Table:
        """One group.

        Raises
        ------
        RunError
            If it is damaged.
        """
        try:
            return self._file.read_row_group(number, columns=COLUMNS.names)
        except (OSError, pa.ArrowException) as error:
            raise RunError(f"{self._path}: is damaged, or no table of landmarks; restore it from a copy") from error

    def _check_layout(self, most_rows: int) -> None:
        schema, about = self._file.schema_arrow, self._file.metadata
        for field in COLUMNS:
            index = schema.get_field_index(field.name)
            if index < 0:
                raise RunError(f"{self._path}: no column {field.name}; measure the films again with this version")
            if schema.field(index).type != field.type:
                raise RunError(f"{self._path}: column {field.name} {WHAT_MEASURE_WRITES}")
        if about.num_rows > most_rows:
            raise RunError(f"{self._path}: more landmarks than the feet of feet.csv can have")
        for i in range(about.num_row_groups):
            group = about.row_group(i)
            if group.num_rows > self._limits.group_rows or group.total_byte_size > self._limits.group_bytes:
                raise RunError(f"{self._path}: its groups are larger than `raysplay measure` writes them")

    def _sound_spans(self, count: int) -> Iterator[tuple[str, str]]:
        for number in range(count):
            group = self.group(number)
            x, y, xx, xy, yy, confidence = (
                np.asarray(group[name], dtype=np.float64)
                for name in ("x", "y", "var_x", "cov_xy", "var_y", "confidence")
            )
            finite = np.isfinite(x) & np.isfinite(y) & np.isfinite(xx) & np.isfinite(xy) & np.isfinite(yy)
            near = (np.abs(x) <= self._limits.coordinate) & (np.abs(y) <= self._limits.coordinate)
            with np.errstate(over="ignore", invalid="ignore"):
                spread = (xx >= 0) & (yy >= 0) & (xy * xy <= xx * yy * (1 + _COVARIANCE_SLACK))
            sure = (confidence >= 0) & (confidence <= 1)
            known = group["film"].null_count == group["landmark"].null_count == group["foot_index"].null_count == 0
            if not (known and np.all(finite & near & spread & sure)):
                raise RunError(f"{self._path}: a landmark {WHAT_MEASURE_WRITES}")
            ends = pc.min_max(group["film"]) if group.num_rows else {"min": pa.scalar(""), "max": pa.scalar("")}
            yield ends["min"].as_py(), ends["max"].as_py()

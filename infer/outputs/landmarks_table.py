"""``landmarks.parquet``: every landmark of every measured foot."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from raysplay.infer.records import FilmRecord, Outcome
from raysplay.measure.schema import LandmarkSchema

COLUMNS = pa.schema(
    [
        pa.field("film", pa.string(), nullable=False),
        pa.field("foot", pa.string(), nullable=False),
        pa.field("foot_index", pa.int32(), nullable=False),
        pa.field("landmark", pa.string(), nullable=False),
        pa.field("x", pa.float64(), nullable=False),
        pa.field("y", pa.float64(), nullable=False),
        pa.field("var_x", pa.float64(), nullable=False),
        pa.field("cov_xy", pa.float64(), nullable=False),
        pa.field("var_y", pa.float64(), nullable=False),
        pa.field("confidence", pa.float32(), nullable=False),
    ]
)
"""Pixels of the film: x = column, y = row, pixel centres at integers; covariance in square pixels.

``foot_index`` counts the feet of a film from 0, in the order of their rows in the other tables.
"""


class LandmarksTable:
    """Writes a row group whenever enough feet have gathered, so that memory stays bounded; pages carry checksums."""

    def __init__(self, path: Path, schema: LandmarkSchema, *, rows_per_group: int = 30_000) -> None:
        self._schema = schema
        self._limit = rows_per_group
        self._columns: dict[str, list[object]] = {name: [] for name in COLUMNS.names}
        # Opened here, since pyarrow takes no path that is not text.
        self._file = path.open("wb")
        self._writer = pq.ParquetWriter(self._file, COLUMNS, compression="zstd", write_page_checksum=True)

    def append(self, record: FilmRecord) -> None:
        """Add the landmarks of every foot that is not refused."""
        for index, foot in enumerate(record.feet):
            if foot.decision.outcome is Outcome.REFUSED:
                continue
            found = foot.landmarks
            for i, code in enumerate(self._schema.codes):
                x, y = (float(v) for v in found.points[i])
                if x != x or y != y:
                    continue
                covariance = found.covariance[i]
                row = (
                    record.film,
                    found.foot.side,
                    index,
                    code,
                    x,
                    y,
                    float(covariance[0, 0]),
                    float(covariance[0, 1]),
                    float(covariance[1, 1]),
                    float(found.confidence[i]),
                )
                for column, value in zip(self._columns.values(), row, strict=True):
                    column.append(value)
        if len(self._columns["film"]) >= self._limit:
            self._flush()

    def close(self) -> None:
        """Write what is left and the end of the file; nothing if that was done, or failed, before."""
        if self._writer.is_open:
            try:
                self._flush()
            finally:
                try:
                    self._writer.close()
                finally:
                    # One that failed would try again, and complain, when it is thrown away.
                    self._writer.is_open = False
                    self._file.close()

    def _flush(self) -> None:
        if self._columns["film"]:
            self._writer.write_table(pa.table(self._columns, schema=COLUMNS))
            for column in self._columns.values():
                column.clear()

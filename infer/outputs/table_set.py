"""The tables of a run but the workbook, film by film."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from pathlib import Path

from raysplay.infer.films.film import Film
from raysplay.infer.outputs.csv_table import CsvTable
from raysplay.infer.outputs.landmarks_table import LandmarksTable
from raysplay.infer.outputs.tables import (
    CROPS_HEADER,
    FILMS_HEADER,
    MEASUREMENTS_HEADER,
    crops_rows,
    feet_header,
    feet_rows,
    films_row,
    measurements_rows,
)
from raysplay.infer.records import FilmRecord
from raysplay.infer.settings import reading_settings
from raysplay.measure import Measure
from raysplay.measure.schema import LandmarkSchema


class TableSet:
    """Takes one film at a time; nothing but one row group stays in memory.

    Parameters
    ----------
    place : callable
        From the name of a table to the path under which it grows.
    schema : LandmarkSchema
    reported : sequence of Measure
        Measures of the tables, as the protocol builds them.
    at_once : bool
        Whether every row is handed to the system at once.

    Raises
    ------
    OSError
        From any method, if a table cannot be written.
    """

    def __init__(
        self,
        place: Callable[[str], Path],
        schema: LandmarkSchema,
        reported: Sequence[Measure],
        *,
        at_once: bool = True,
    ) -> None:
        self._place, self._at_once = place, at_once
        self._reported = tuple(reported)
        self._crop_size = reading_settings().crop_size
        self._tables: list[CsvTable | LandmarksTable] = []
        try:
            self.feet = self._csv("feet.csv", feet_header(self._reported))
            self._measurements = self._csv("measurements.csv", MEASUREMENTS_HEADER)
            self._films = self._csv("films.csv", FILMS_HEADER)
            self._crops = self._csv("crops.csv", CROPS_HEADER)
            self._landmarks = LandmarksTable(place("landmarks.parquet"), schema)
            self._tables.append(self._landmarks)
        except BaseException:
            self.abandon()
            raise

    def append(self, record: FilmRecord, film: Film | None, pictures: Sequence[str] = ()) -> None:
        """Append one film.

        Parameters
        ----------
        record : FilmRecord
        film : Film or None
            The film itself, whose pixels are not looked at; None where the file yielded none.
        pictures : sequence of str
            Paths of the feet's pictures in the folder; empty where none were drawn.
        """
        for row in feet_rows(record, self._reported, pictures):
            self.feet.append(row)
        for row in measurements_rows(record, pictures):
            self._measurements.append(row)
        self._films.append(films_row(record, film))
        for row in crops_rows(record, self._crop_size):
            self._crops.append(row)
        self._landmarks.append(record)

    def close(self) -> None:
        """Write what is left."""
        for table in self._tables:
            table.close()

    def abandon(self) -> None:
        """Close the tables as they are: what cannot be written is lost already, the other tables must not be."""
        for table in self._tables:
            with contextlib.suppress(OSError):
                table.close()

    def _csv(self, name: str, header: Sequence[str]) -> CsvTable:
        table = CsvTable(self._place(name), header, at_once=self._at_once)
        self._tables.append(table)
        return table

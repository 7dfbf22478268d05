"""Writes everything a run leaves, film by film."""

from __future__ import annotations

import time
from collections.abc import Collection, Sequence
from pathlib import Path

from raysplay.configs.proof import proofs
from raysplay.infer.decide.config import decision_limits
from raysplay.infer.films.film import Film
from raysplay.infer.outputs.csv_table import CsvTable
from raysplay.infer.outputs.earlier_run import OVERLAYS
from raysplay.infer.outputs.landmarks_table import LandmarksTable
from raysplay.infer.outputs.names import overlay_name
from raysplay.infer.outputs.run_folder import RunFolder
from raysplay.infer.outputs.run_report import RunReport, write_json
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


class RunWriter:
    """Takes one film at a time; nothing but counts and one row group stays in memory.

    Until :meth:`finish` all files carry ``.partial`` in their names; an interrupted run leaves them so.

    Parameters
    ----------
    folder : RunFolder
    schema : LandmarkSchema
    reported : sequence of Measure
        Measures of the tables, as the protocol builds them.
    overlays : bool
        Whether to draw a picture of every foot.
    level : float or None
        Of the intervals, for the pictures; None for that of the shipped ``decision.yaml``.

    Raises
    ------
    RunFolderError
        If the folder cannot be made or written.
    """

    def __init__(
        self,
        folder: RunFolder,
        schema: LandmarkSchema,
        reported: Sequence[Measure],
        *,
        overlays: bool = True,
        level: float | None = None,
    ) -> None:
        self._folder = folder
        self._reported = tuple(reported)
        self._schema = schema
        self._overlays = overlays
        self._level = decision_limits().interval.level if level is None else level
        self._crop_size = reading_settings().crop_size
        self.report = RunReport()
        folder.begin()
        self._feet = CsvTable(folder.partial("feet.csv"), feet_header(self._reported))
        self._measurements = CsvTable(folder.partial("measurements.csv"), MEASUREMENTS_HEADER)
        self._films = CsvTable(folder.partial("films.csv"), FILMS_HEADER)
        self._crops = CsvTable(folder.partial("crops.csv"), CROPS_HEADER)
        self._landmarks = LandmarksTable(folder.partial("landmarks.parquet"), schema)

    def write(self, record: FilmRecord, film: Film | None, doubtful: Sequence[Collection[int]] = ()) -> None:
        """Append one film.

        Parameters
        ----------
        record : FilmRecord
        film : Film or None
            The film itself; ``None`` where the file yielded none.
        doubtful : sequence of collections of int
            For each foot of the record, the landmarks to mark.
        """
        started = time.perf_counter()
        overlays: list[str] = []
        if self._overlays and film is not None:
            from raysplay.infer.outputs.overlay import draw_overlay

            for index, foot in enumerate(record.feet):
                marked = doubtful[index] if index < len(doubtful) else ()
                picture = draw_overlay(film, record.film, foot, self._schema, marked, level=self._level)
                name = overlay_name(record.film, index, foot.landmarks.foot.side)
                # Fast compression: the pictures are many and mostly noise.
                picture.save(self._folder.overlay(name), format="PNG", compress_level=1)
                overlays.append(f"{OVERLAYS}/{name}")
        drawn = time.perf_counter()
        for row in feet_rows(record, self._reported, overlays):
            self._feet.append(row)
        for row in measurements_rows(record, overlays):
            self._measurements.append(row)
        self._films.append(films_row(record, film))
        for row in crops_rows(record, self._crop_size):
            self._crops.append(row)
        self._landmarks.append(record)
        self.report.add(record)
        self.report.add_seconds({"overlay": drawn - started, "tables": time.perf_counter() - drawn})

    def finish(
        self,
        *,
        command: Sequence[str],
        wall_seconds: float,
        weights: dict[str, str],
        protocol: Path,
        films: Path | None = None,
    ) -> Path:
        """Close the tables, write ``run.json`` and give every file its name; returns the folder.

        Parameters
        ----------
        films : Path, optional
            Folder that the names of the films are relative to.
        """
        self.close()
        content = self.report.as_json(
            command=command,
            wall_seconds=wall_seconds,
            weights=weights,
            protocol=protocol,
            films=films,
            constructions={measure.name: measure.construction for measure in self._reported},
            proven=sorted(proofs().proven(self._reported, weights)),
        )
        write_json(self._folder.partial("run.json"), content)
        self._folder.commit()
        return self._folder.path

    def close(self) -> None:
        """Close the tables, leaving their ``.partial`` names."""
        for table in (self._feet, self._measurements, self._films, self._crops, self._landmarks):
            table.close()

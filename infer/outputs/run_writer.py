"""Writes everything a run leaves, film by film."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

from raysplay.configs.load import digest
from raysplay.configs.proof import proofs
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.film import Film
from raysplay.infer.outputs.names import overlay_name
from raysplay.infer.outputs.run_files import ABOUT, CHECKED, OVERLAYS, WORKBOOK
from raysplay.infer.outputs.run_folder import RunFolder, writing
from raysplay.infer.outputs.run_report import RunReport, write_json
from raysplay.infer.outputs.table_set import TableSet
from raysplay.infer.outputs.workbook import write_workbook
from raysplay.infer.records import FilmRecord
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
    begun : bool
        Whether the folder was taken before (``RunFolder.begin``), by who lets it go again, and the films come from what
        is kept elsewhere.

    Raises
    ------
    RunFolderError
        If the folder cannot be made or written, or another program writes into it.
    RunStoppedError
        From any method, if the folder cannot be written any more.
    """

    def __init__(
        self,
        folder: RunFolder,
        schema: LandmarkSchema,
        reported: Sequence[Measure],
        *,
        overlays: bool = True,
        level: float | None = None,
        begun: bool = False,
    ) -> None:
        self._folder = folder
        self._reported = tuple(reported)
        self._schema = schema
        self._overlays = overlays
        self._level = decision_settings().interval.level if level is None else level
        self.report = RunReport()
        self._begun = begun
        if not begun:
            folder.begin()
        try:
            with writing(folder.path):
                self._tables = TableSet(folder.partial, schema, self._reported, at_once=not begun)
        except BaseException:
            if not begun:
                folder.release()
            raise
        self._feet = self._tables.feet

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
        overlays = [] if film is None or not self._overlays else self._draw(record, film, doubtful)
        drawn = time.perf_counter()
        self.append(record, film, overlays, {"overlay": drawn - started})

    def append(
        self,
        record: FilmRecord,
        film: Film | None,
        pictures: Sequence[str] = (),
        seconds: Mapping[str, float] | None = None,
    ) -> None:
        """Append one film whose pictures are there already.

        Parameters
        ----------
        pictures : sequence of str
            Their paths in the folder.
        seconds : mapping, optional
            Spent on stages that the record does not tell.
        """
        began = time.perf_counter()
        with writing(self._folder.path):
            self._tables.append(record, film, pictures)
        self.report.add(record)
        self.report.add_seconds({**(seconds or {}), "tables": time.perf_counter() - began})

    def _draw(self, record: FilmRecord, film: Film, doubtful: Sequence[Collection[int]]) -> list[str]:
        """Save a picture of every foot; their paths in the folder."""
        from raysplay.infer.outputs.overlay import draw_overlay
        from raysplay.infer.outputs.png import png

        paths = []
        for index, foot in enumerate(record.feet):
            marked = doubtful[index] if index < len(doubtful) else ()
            picture = draw_overlay(film, record.film, foot, self._schema, marked, level=self._level)
            name = overlay_name(record.film, index, foot.landmarks.foot.side)
            with writing(self._folder.path):
                self._folder.overlay(name).write_bytes(png(picture))
            paths.append(f"{OVERLAYS}/{name}")
        return paths

    def finish(
        self,
        *,
        command: Sequence[str],
        wall_seconds: float,
        weights: dict[str, str],
        protocol: Path,
        films: Path | None = None,
        machine: Mapping[str, str | int] | None = None,
        keep: Collection[str] = (),
        name_key: str = "",
    ) -> Path:
        """Close the tables, write ``feet.xlsx`` and ``run.json``, and give every file its name; returns the folder.

        Parameters
        ----------
        films : Path, optional
            Folder that the names of the films are relative to.
        machine : mapping, optional
            As :meth:`RunReport.as_json` takes it.
        keep : collection of str
            Names of pictures of the run before that are pictures of this one, too.
        name_key : str
            As :meth:`RunReport.as_json` takes it.
        """
        proven = sorted(proofs().proven(self._reported, weights))

        def summary(tables: dict[str, str]) -> dict[str, Any]:
            return self.report.as_json(
                command=command,
                wall_seconds=wall_seconds,
                weights=weights,
                protocol=protocol,
                films=films,
                constructions={measure.name: measure.construction for measure in self._reported},
                proven=proven,
                tables=tables,
                machine=machine,
                name_key=name_key,
            )

        return self._finish(summary, proven, keep)

    def finish_as(self, before: Mapping[str, Any], *, weights: dict[str, str], keep: Collection[str]) -> Path:
        """Finish a run that holds fewer films of another one, read by the same program; returns the folder.

        Parameters
        ----------
        before : mapping
            The ``run.json`` of that one: what it says of program, weights, protocol and time stays.
        weights : dict of str to str
            Of that one.
        keep : collection of str
            As :meth:`finish` takes it.
        """
        proven = sorted(proofs().proven(self._reported, weights))
        return self._finish(lambda tables: {**before, **self.report.of_fewer(tables)}, proven, keep)

    def _finish(
        self, summary: Callable[[dict[str, str]], dict[str, Any]], proven: Sequence[str], keep: Collection[str]
    ) -> Path:
        folder = self._folder
        try:
            with writing(folder.path):
                self._tables.close()
                write_workbook(
                    folder.partial(WORKBOOK), folder.partial("feet.csv"), self._reported, proven, self._level
                )
                write_json(folder.partial(ABOUT), summary({name: digest(folder.partial(name)) for name in CHECKED}))
                folder.commit(keep)
        finally:
            self.close()
        return folder.path

    def close(self) -> None:
        """Close the tables, leaving the names that they have, and let others write into the folder that was taken."""
        self._tables.abandon()
        if not self._begun:
            self._folder.release()

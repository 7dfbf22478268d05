"""The result of an agreement: figures and tables as data frames, and the folder with the report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from raysplay.infer.agreement.feet import Run, StudyReads
from raysplay.infer.agreement.flow import FlowStep
from raysplay.infer.agreement.plots import MeasurePlots
from raysplay.infer.agreement.reads import ReadTables, UnusedRow
from raysplay.infer.agreement.slips import Slip

if TYPE_CHECKING:
    import pyarrow as pa

    from raysplay.infer.agreement.planned import PlannedStudy

FIGURE_COLUMNS = (
    *("measure", "statistic", "reader", "feet", "value", "low", "high", "n", "level"),
    *("method", "assumption", "source", "why"),
)
"""Columns of ``agreement.csv``. ``reader``: whom the figure is of; ``feet``: which feet; ``why``: why there is no
value, or what to bear in mind with it."""


@dataclass(frozen=True)
class Figure:
    """One figure; ``value``, ``low`` and ``high`` are ``nan`` where nothing is justified, and ``why`` says so."""

    measure: str
    statistic: str
    reader: str
    feet: str
    value: float
    low: float
    high: float
    n: int
    level: float
    method: str
    assumption: str
    source: str
    why: str


@dataclass(frozen=True)
class Confusion:
    """Feet by grade of two readers: ``counts`` (G, G), rows the first, columns the second."""

    measure: str
    reader: str
    first: str
    second: str
    grades: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class MeasureResult:
    """All of one measure."""

    measure: str
    figures: tuple[Figure, ...]
    confusions: tuple[Confusion, ...]
    plots: tuple[MeasurePlots, ...]


@dataclass(frozen=True)
class Agreement:
    """What :func:`~raysplay.infer.agreement.agreement` gives.

    Attributes
    ----------
    study : StudyReads
        Readings as arrays.
    run : Run or None
    tables : ReadTables
    unused : tuple of UnusedRow
    slips : tuple of Slip
    flow : tuple of FlowStep
    results : tuple of MeasureResult
    cautions : tuple of str
    unproven : tuple of str
        Measures whose error on bones that no generator drew is unknown or too large.
    scheme : str
        Of the grades.
    command : str
        As it was called; empty from Python.
    plans : tuple of PlannedStudy
        Of a next study, where such were asked for.
    """

    study: StudyReads
    run: Run | None
    tables: ReadTables
    unused: tuple[UnusedRow, ...]
    slips: tuple[Slip, ...]
    flow: tuple[FlowStep, ...]
    results: tuple[MeasureResult, ...]
    cautions: tuple[str, ...]
    unproven: tuple[str, ...]
    scheme: str
    level: float
    margins: Mapping[str, float]
    command: str = ""
    plans: tuple[PlannedStudy, ...] = ()

    @property
    def figures(self) -> pa.Table:
        """All figures, one a row; ``.to_pandas()`` where pandas is installed."""
        return _frame(FIGURE_COLUMNS, [figure for result in self.results for figure in result.figures])

    @property
    def planning(self) -> pa.Table:
        """Films and readers of a next study, one plan a row."""
        import pyarrow as pa

        from raysplay.infer.agreement.planned import PLAN_COLUMNS

        rows = [one.row() for one in self.plans]
        columns: Sequence[Sequence[object]] = list(zip(*rows, strict=True)) or [[] for _ in PLAN_COLUMNS]
        return pa.table({name: pa.array(list(values)) for name, values in zip(PLAN_COLUMNS, columns, strict=True)})

    @property
    def not_used(self) -> pa.Table:
        """Rows and cells that gave no number, with the reason."""
        return _frame(UNUSED_COLUMNS, self.unused)

    @property
    def films(self) -> pa.Table:
        """The flow of films, feet and numbers."""
        return _frame(FLOW_COLUMNS, self.flow)

    @property
    def reads(self) -> pa.Table:
        """The numbers compared, one a row: foot, measure, reader, session, read, and what the run says."""
        import pyarrow as pa

        header, rows = read_rows(self.study)
        columns: Sequence[Sequence[object]] = list(zip(*rows, strict=True)) or [[] for _ in header]
        return pa.table({name: pa.array(list(values)) for name, values in zip(header, columns, strict=True)})

    def write(self, folder: Path | str, *, overwrite: bool = False) -> None:
        """Write report, figures and the data behind every plot.

        Raises
        ------
        OutputFolderError
            If the folder cannot take them.
        """
        from raysplay.infer.agreement.written import write_agreement

        write_agreement(self, Path(folder), overwrite=overwrite)


UNUSED_COLUMNS = ("table", "line", "film", "foot", "reader", "measure", "kind", "reason", "slip")
FLOW_COLUMNS = ("what", "unit", "count", "of", "out", "measure")


def read_rows(study: StudyReads) -> tuple[tuple[str, ...], list[tuple[str | float | None, ...]]]:
    """Numbers with what the run says: header and rows."""
    header = ("film", "foot", "measure", "reader", "session", "value", "tool", "tool_low", "tool_high", "decision")
    rows: list[tuple[str | float | None, ...]] = []
    for name in study.measures:
        values = study.readings[name]
        for foot, reader, session in zip(*np.nonzero(np.isfinite(values)), strict=True):
            of = study.feet[foot]
            tool = [_or_none(array[name][foot]) for array in (study.tool, study.tool_low, study.tool_high)]
            about = (of.film, of.side, name, study.readers[reader], study.sessions[session])
            rows.append((*about, float(values[foot, reader, session]), *tool, of.decision))
    return header, rows


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _plain(value: object) -> object:
    """A member of an enumeration as its text."""
    return value.value if isinstance(value, StrEnum) else value


def _frame(columns: Sequence[str], rows: Sequence[object]) -> pa.Table:
    import pyarrow as pa

    return pa.table({name: pa.array([_plain(getattr(row, name)) for row in rows]) for name in columns})

"""An agreement as files: figures, report on screen and on paper, and the data behind every plot."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import astuple, replace
from pathlib import Path

import numpy as np

from raysplay.infer.agreement.feet import StudyReads
from raysplay.infer.agreement.flow_diagram import flow_diagram
from raysplay.infer.agreement.output_folder import check_folder, write_folder
from raysplay.infer.agreement.planned import PLAN_COLUMNS
from raysplay.infer.agreement.plots import MeasurePlots, draw
from raysplay.infer.agreement.report import TITLE, digest, report_blocks
from raysplay.infer.agreement.result import FIGURE_COLUMNS, FLOW_COLUMNS, UNUSED_COLUMNS, Agreement, read_rows
from raysplay.infer.compare.calibration_file import CALIBRATION, CalibrationError, calibrate_run
from raysplay.infer.compare.evaluation import Pair, Pairing
from raysplay.infer.compare.true_foot import TrueFoot
from raysplay.infer.outputs.csv_bytes import csv_bytes
from raysplay.infer.report.document import Picture
from raysplay.infer.report.pdf_file import pdf_file
from raysplay.infer.report.web_page import web_page

NO_CALIBRATION = "no_calibration.txt"
"""Says why there is none."""

FIGURES, REPORT, PAPER = "agreement.csv", "report.html", "report.pdf"


def write_agreement(agreement: Agreement, folder: Path, *, overwrite: bool = False) -> tuple[str, ...]:
    """Write all files and give their names below the folder.

    Raises
    ------
    OutputFolderError
        If the folder cannot take them.
    """
    check_folder(folder, overwrite=overwrite)
    files: dict[str, bytes] = {}
    pictures: dict[str, list[Picture]] = {}
    for result in agreement.results:
        for number, plots in enumerate(result.plots):
            picture = draw(plots)
            pictures.setdefault(result.measure, []).append(picture)
            name = f"plots/{result.measure}{f'_{number + 1}' if number else ''}"
            files[f"{name}.png"] = picture.png
            files[f"{name}_feet.csv"] = csv_bytes(
                ("foot", "kind", plots.second, plots.first, "mean", "difference"), _feet(agreement, plots)
            )
            files[f"{name}_lines.csv"] = csv_bytes(("plot", "line", "value", "low", "high", "slope"), _lines(plots))
        for number, one in enumerate(result.confusions):
            rows: list[list[str | float | int | None]] = [
                [grade, *counts] for grade, counts in zip(one.grades, one.counts, strict=True)
            ]
            head = (f"{one.first} / {one.second}", *one.grades)
            files[f"grades/{result.measure}_{number + 1}.csv"] = csv_bytes(head, rows)
    if agreement.run is not None:
        files |= _calibration(agreement)
    figures = [astuple(one) for result in agreement.results for one in result.figures]
    files[FIGURES] = csv_bytes(FIGURE_COLUMNS, figures)
    files["not_used.csv"] = csv_bytes(
        UNUSED_COLUMNS, ([*astuple(one)[:-1], "yes" if one.slip else "no"] for one in agreement.unused)
    )
    files["flow.csv"] = csv_bytes(
        FLOW_COLUMNS, ([s.what, s.unit, s.count, s.of, "yes" if s.out else "no", s.measure] for s in agreement.flow)
    )
    files["reads_used.csv"] = csv_bytes(*read_rows(agreement.study))
    diagram = flow_diagram(agreement.flow)
    files["plots/flow.png"], files["plots/flow.svg"] = diagram.png, diagram.svg.encode("utf-8")
    if agreement.plans:
        files["planning.csv"] = csv_bytes(PLAN_COLUMNS, (one.row() for one in agreement.plans))
    blocks = report_blocks(agreement, pictures, diagram)
    files[REPORT] = web_page(TITLE, blocks).encode("utf-8")
    files[PAPER] = pdf_file(TITLE, blocks)
    about = {
        "kind": "agreement",
        "command": agreement.command,
        "run": None if agreement.run is None else digest(agreement.run.folder / "run.json"),
        "reads": {str(path): digest(path) for path in agreement.tables.paths},
        "slips": [one.said for one in agreement.slips],
        "cautions": list(agreement.cautions),
    }
    write_folder(folder, files, about, overwrite=overwrite)
    return tuple(files)


def _calibration(agreement: Agreement) -> dict[str, bytes]:
    """Interval factors made from the mean of the readers, as ``raysplay evaluate --calibrate`` does of a truth."""
    study, run = agreement.study, agreement.run
    assert run is not None
    pairs = [
        Pair(TrueFoot(foot.film, foot.side, "dp", _means(study, i)), foot.measured, run.archive.was_read(foot.film))
        for i, foot in enumerate(study.feet)
    ]
    measures = {name: built for name, built in run.archive.constructions.items() if name in study.measures}
    with tempfile.TemporaryDirectory(prefix="raysplay-") as folder:
        try:
            archive = replace(run.archive, constructions=measures)
            path = calibrate_run(Pairing(tuple(pairs), ()), archive, None, Path(folder))
        except CalibrationError as error:
            return {NO_CALIBRATION: f"No calibration could be made: {error}.\n".encode()}
        return {CALIBRATION: path.read_bytes()}


def _means(study: StudyReads, foot: int) -> dict[str, float]:
    """Mean of all readings of a foot, by measure."""
    found = {}
    for name in study.measures:
        values = study.readings[name][foot]
        if np.isfinite(values).any():
            found[name] = float(np.nanmean(values))
    return found


def _feet(agreement: Agreement, plots: MeasurePlots) -> Iterator[tuple[str | float, ...]]:
    for foot, mark, x, y in zip(plots.feet, plots.marks, plots.x, plots.y, strict=True):
        of = agreement.study.feet[foot]
        yield (f"{of.film} {of.side}", plots.mark_names[mark], float(x), float(y), float((x + y) / 2), float(y - x))


def _lines(plots: MeasurePlots) -> Iterator[tuple[str | float, ...]]:
    for level in plots.levels:
        yield ("difference by mean", level.name, level.value, level.low, level.high, 0.0)
    for line in plots.lines:
        yield ("each foot", line.name, line.intercept, np.nan, np.nan, line.slope)
    for name, (share, error) in plots.review.items():
        for x, y in zip(share, error, strict=True):
            yield ("error that stays", f"{name}, share {x:g}", float(y), np.nan, np.nan, np.nan)
    for level in plots.groups:
        yield ("mean difference by group", level.name, level.value, level.low, level.high, np.nan)

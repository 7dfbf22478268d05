"""Runs a suite: generate, measure, compare, write."""

from __future__ import annotations

import importlib.metadata
import time
from collections.abc import Iterable, Sequence
from functools import partial
from pathlib import Path

import typer
from rich.console import Console
from rich.table import Table

from raysplay.configs.protocol import protocol
from raysplay.infer.command import foot_reader, run_measure
from raysplay.infer.compare.config import evaluation_settings
from raysplay.infer.compare.run_tables import read_run
from raysplay.infer.compare.truth import read_truth
from raysplay.infer.decide.config import decision_limits
from raysplay.infer.films.limits import film_limits
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.settings import reading_settings
from raysplay.infer.user_table import UserTableError
from raysplay.synthetic_data.archive import FILMS, TRUTH, cores
from raysplay.synthetic_data.archive_settings import archive_settings
from raysplay.synthetic_data.command import CAUTION, progress_bar
from raysplay.synthetic_data.settings import generator_settings
from raysplay.train.suite.figures import SuiteFigures, suite_figures
from raysplay.train.suite.films import (
    archive_truth,
    copied_films,
    copy_archive,
    generated_films,
    write_suite,
)
from raysplay.train.suite.folder import REAL_RUN, RUN, SuiteFolderError, make_room
from raysplay.train.suite.real_list import RealFigures, read_list, real_figures
from raysplay.train.suite.report import SuiteRun, target_lines, write_suite_report
from raysplay.train.suite.settings import suite_settings


def run_suite(
    out: Path,
    *,
    films: int | None = None,
    seed: int | None = None,
    names: str | None = None,
    archives: Sequence[str] = (),
    real: Path | None = None,
    listed: Path | None = None,
    overwrite: bool = False,
    threads: int | None = None,
    landmark_weights: Path | None = None,
) -> SuiteFigures:
    """Run the suite into ``out``: films, truth, run, ``suite.csv``, ``suite.json``, ``suite.md`` and plots.

    Parameters
    ----------
    out : Path
    films, seed : int, optional
        Films a condition and the seed; those of ``suite.yaml`` by default.
    names : str, optional
        Generated conditions, with commas between; all of them by default.
    archives : sequence of str
        ``NAME=DIR``: conditions whose archive (``films``, ``truth.csv``) is handed in.
    real, listed : Path, optional
        Folder of real films and the list of what they show.
    overwrite : bool
        Replace an earlier suite in ``out``.
    threads : int, optional
        Of the network.
    landmark_weights : Path, optional
        Fine-tuned landmark network; the shipped one by default.

    Raises
    ------
    typer.BadParameter
        If a condition, an archive, the list or the folder cannot be used; nothing was written then.
    """
    settings, suite = evaluation_settings(), suite_settings()
    # All that can be wrong with a configuration comes out here, not after the films are made.
    settings_of = decision_limits, reading_settings, film_limits, output_settings, archive_settings, generator_settings
    for read in (*settings_of, protocol):
        read()
    films, seed = films or suite.films, suite.seed if seed is None else seed
    console, seconds = Console(stderr=True), {}
    try:
        handed = dict(_archive(text) for text in archives)
        conditions = suite.chosen(None if names is None else names.split(","), handed)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--conditions / --archive") from error
    kinds = {}
    if real is not None and listed is not None:
        try:
            kinds = read_list(listed, real)
        except UserTableError as error:
            raise typer.BadParameter(str(error), param_hint="--list") from error
    # Nor that weights are damaged.
    foot_reader(threads, landmark_weights)
    generated = [condition for condition in conditions if condition.name not in handed]
    wrote = [f"{FILMS}/{film}" for film in generated_films(generated, films)]
    wrote += [f"{FILMS}/{name}/{film}" for name, folder in handed.items() for film in copied_films(folder)]
    try:
        make_room(out, wrote, overwrite=overwrite)
    except SuiteFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error

    started = time.perf_counter()
    with progress_bar("Films") as progress:
        truth = write_suite(generated, films, seed, out, progress, workers=cores())
    seconds["generating"] = time.perf_counter() - started
    known = {name: copy_archive(folder, name, out) for name, folder in handed.items()}
    known |= {condition.name: [] for condition in generated}
    for foot in read_truth(truth):
        known[foot.film.split("/")[0]].append(foot)
    started = time.perf_counter()
    measure = partial(run_measure, overlays=False, threads=threads, landmark_weights=landmark_weights, console=console)
    measure([out / FILMS], out / RUN)
    seconds["measuring"] = time.perf_counter() - started
    real_read: tuple[RealFigures, ...] = ()
    if kinds:
        measure(kinds, out / REAL_RUN)
        real_read = real_figures(read_run(out / REAL_RUN), kinds)

    started = time.perf_counter()
    run = read_run(out / RUN)
    figures = suite_figures(run, known, conditions, suite.targets, settings)
    seconds["comparing"] = time.perf_counter() - started
    made = SuiteRun(
        films,
        seed,
        importlib.metadata.version("raysplay"),
        seconds,
        run.digests,
        decision_limits().interval.level,
        settings.within,
        real_read,
        tuple(wrote),
    )
    write_suite_report(figures, made, out)
    _print(target_lines(figures), Console())
    Console().print(f"Of {films} films a condition; brackets are 95 % intervals.", highlight=False)
    Console().print(f"Report: {out / 'suite.md'}", highlight=False, soft_wrap=True)
    Console().print(CAUTION, style="bold")
    return figures


def _archive(text: str) -> tuple[str, Path]:
    """Name and folder of ``NAME=DIR``, checked to hold an archive."""
    name, _, folder = text.partition("=")
    if not (Path(folder) / FILMS).is_dir():
        raise ValueError(f"{text}: not NAME=DIR with a DIR that holds {FILMS} and {TRUTH}")
    archive_truth(Path(folder))
    return name, Path(folder)


def _print(lines: Iterable[list[str]], console: Console) -> None:
    table = Table(title="Targets", title_justify="left")
    for heading in ("Figure", "Condition", "Wanted", "Reached", ""):
        table.add_column(heading)
    for *cells, _source in lines:
        table.add_row(*cells)
    console.print(table)

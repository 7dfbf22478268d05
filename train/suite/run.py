"""Runs a suite: generate, measure, compare, write."""

from __future__ import annotations

import importlib.metadata
import tempfile
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import typer
from rich.console import Console
from rich.table import Table

from raysplay.configs.protocol import protocol
from raysplay.infer.command import foot_reader, run_measure
from raysplay.infer.compare.run_tables import read_run
from raysplay.infer.compare.settings import EvaluationSettings, evaluation_settings
from raysplay.infer.compare.truth import read_truth
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.settings import film_settings
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.reading_options import ReadingOptions
from raysplay.infer.settings import reading_settings
from raysplay.infer.user_table import UserTableError
from raysplay.synthetic_data.archive import FILMS, TRUTH, cores
from raysplay.synthetic_data.command import CAUTION, progress_bar
from raysplay.synthetic_data.film.settings import archive_settings
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
from raysplay.train.suite.settings import SuiteCondition, Target, suite_settings


@dataclass(frozen=True)
class SuiteOptions:
    """Options of ``raysplay evaluate --suite``.

    Attributes
    ----------
    films, seed : int, optional
        Films a condition and the seed; those of ``suite.yaml`` by default.
    names : str, optional
        Generated conditions, with commas between; all of them by default.
    archives : sequence of str
        ``NAME=DIR``: conditions whose archive (``films``, ``truth.csv``) is handed in.
    real, listed : Path, optional
        Folder of real films and the list of what they show; both or none.
    overwrite : bool
        Replace an earlier suite.
    reading : ReadingOptions
        How the films are read.
    """

    films: int | None = None
    seed: int | None = None
    names: str | None = None
    archives: Sequence[str] = ()
    real: Path | None = None
    listed: Path | None = None
    overwrite: bool = False
    reading: ReadingOptions = field(default_factory=ReadingOptions)


@dataclass(frozen=True)
class _Plan:
    """What a suite will hold, all of it checked before a film is made."""

    settings: EvaluationSettings
    targets: Sequence[Target]
    films: int
    seed: int
    conditions: Sequence[SuiteCondition]
    handed: Mapping[str, Path]
    """Folders of the archives handed in, by condition."""
    kinds: Mapping[Path, str]
    """Real films and what they show."""
    writes: tuple[str, ...]
    """Every film, below the folder of the suite."""

    @property
    def generated(self) -> list[SuiteCondition]:
        return [condition for condition in self.conditions if condition.name not in self.handed]


def run_suite(out: Path, options: SuiteOptions) -> SuiteFigures:
    """Run the suite into ``out``: films, truth, run, ``suite.csv``, ``suite.json``, ``suite.md`` and plots.

    Raises
    ------
    typer.BadParameter
        If a condition, an archive, the list or the folder cannot be used; nothing was written then.
    """
    plan, seconds = _plan(options), {}
    # Nor does it come out late that weights are damaged.
    foot_reader(options.reading.threads, options.reading.landmark_weights)
    try:
        make_room(out, plan.writes, overwrite=options.overwrite)
    except SuiteFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error

    started = time.perf_counter()
    with progress_bar("Films") as progress:
        truth = write_suite(plan.generated, plan.films, plan.seed, out, progress, workers=cores())
    seconds["generating"] = time.perf_counter() - started
    known = {name: copy_archive(folder, name, out) for name, folder in plan.handed.items()}
    known |= {condition.name: [] for condition in plan.generated}
    for foot in read_truth(truth):
        known[foot.film.split("/")[0]].append(foot)
    started = time.perf_counter()
    real_read: tuple[RealFigures, ...] = ()
    # No film is added to these runs later: the key for codes of persons goes with it.
    with tempfile.TemporaryDirectory(prefix="raysplay-") as keys:
        measure = partial(
            run_measure,
            options=options.reading,
            overlays=False,
            person_key=Path(keys, "persons.key"),
            console=Console(stderr=True),
        )
        measure([out / FILMS], out / RUN)
        seconds["measuring"] = time.perf_counter() - started
        if plan.kinds:
            measure(plan.kinds, out / REAL_RUN)
            real_read = real_figures(read_run(out / REAL_RUN), plan.kinds)

    started = time.perf_counter()
    run = read_run(out / RUN)
    figures = suite_figures(run, known, plan.conditions, plan.targets, plan.settings)
    seconds["comparing"] = time.perf_counter() - started
    made = SuiteRun(
        plan.films,
        plan.seed,
        importlib.metadata.version("raysplay"),
        seconds,
        run.digests,
        decision_settings().interval.level,
        plan.settings.within,
        real_read,
        plan.writes,
    )
    write_suite_report(figures, made, out)
    _print(target_lines(figures), Console())
    Console().print(f"Of {plan.films} films a condition; brackets are 95 % intervals.", highlight=False)
    Console().print(f"Report: {out / 'suite.md'}", highlight=False, soft_wrap=True)
    Console().print(CAUTION, style="bold")
    return figures


def _plan(options: SuiteOptions) -> _Plan:
    """What the options ask for, checked."""
    settings, suite = evaluation_settings(), suite_settings()
    # All that can be wrong with a configuration comes out here, not after the films are made.
    settings_of = (
        decision_settings,
        reading_settings,
        film_settings,
        output_settings,
        archive_settings,
        generator_settings,
    )
    for read in (*settings_of, protocol):
        read()
    films, seed = options.films or suite.films, suite.seed if options.seed is None else options.seed
    try:
        handed = dict(_archive(text) for text in options.archives)
        conditions = suite.chosen(None if options.names is None else options.names.split(","), handed)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--conditions / --archive") from error
    kinds = {}
    if options.real is not None and options.listed is not None:
        try:
            kinds = read_list(options.listed, options.real)
        except UserTableError as error:
            raise typer.BadParameter(str(error), param_hint="--list") from error
    drawn = generated_films([condition for condition in conditions if condition.name not in handed], films)
    writes = [f"{FILMS}/{film}" for film in drawn]
    writes += [f"{FILMS}/{name}/{film}" for name, folder in handed.items() for film in copied_films(folder)]
    return _Plan(settings, suite.targets, films, seed, conditions, handed, kinds, tuple(writes))


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

"""``raysplay measure``: films in, tables and overlays out."""

from __future__ import annotations

import contextlib
import shlex
import signal
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Annotated, Any

import typer

from raysplay.infer.command_options import (
    Accelerator,
    LandmarkWeights,
    Threads,
    out_option,
    overwrite_option,
    protocol_option,
)
from raysplay.infer.reading_options import ReadingOptions

if TYPE_CHECKING:
    from rich.console import Console

    from raysplay.infer.measuring import MeasuredRun
    from raysplay.infer.outputs.run_report import RunReport
    from raysplay.infer.pipeline import ReadsFeet
    from raysplay.infer.progress import Progress

CAUTION = "A person confirms every number used in care. The numbers are no diagnosis."


def measure(
    paths: Annotated[
        list[Path],
        typer.Argument(metavar="PATH...", help="Films or folders of films: DICOM, PNG, JPEG, TIFF."),
    ],
    out: Annotated[Path, out_option("tables and overlays")],
    overwrite: Annotated[bool, overwrite_option("run")] = False,
    keep_reads: Annotated[
        bool,
        typer.Option(
            "--keep-reads",
            help="With --overwrite: carry the reads of the earlier run over to films and feet that are the same.",
        ),
    ] = False,
    overlays: Annotated[bool, typer.Option("--overlays/--no-overlays", help="Draw a picture of every foot.")] = True,
    threads: Threads = None,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers",
            metavar="N",
            min=1,
            max=1024,
            help="Read films in N processes, each with one thread of its own.",
        ),
    ] = None,
    scheduler: Annotated[
        str,
        typer.Option("--scheduler", metavar="ADDRESS", help="Read films on the workers of this Dask scheduler."),
    ] = "",
    ledger: Annotated[
        str,
        typer.Option(
            "--ledger", metavar="URL", help="Keep what was read in this PostgreSQL database; a file in DIR if left out."
        ),
    ] = "",
    person_key: Annotated[
        Path | None,
        typer.Option("--person-key", metavar="FILE", help="Key for codes of persons, made if missing; never in DIR."),
    ] = None,
    name_key: Annotated[
        Path | None,
        typer.Option(
            "--name-key",
            metavar="FILE",
            help="Write identifiers instead of the names of files and folders, under this key; made if missing, never "
            "in DIR.",
        ),
    ] = None,
    rehash: Annotated[
        bool, typer.Option("--rehash", help="Find changed films by all their bytes, not by size, time and number.")
    ] = False,
    retry: Annotated[bool, typer.Option("--retry", help="Read again films that were set aside.")] = False,
    landmark_weights: LandmarkWeights = None,
    accelerator: Accelerator = None,
    protocol: Annotated[
        Path | None, protocol_option("Measures to report and how they are built; protocol.yaml if left out.")
    ] = None,
    report: Annotated[
        bool, typer.Option("--report", help="At the end write report.html, one page on the run, into DIR.")
    ] = False,
    select: Annotated[
        bool,
        typer.Option("--select", help="Measure dorsoplantar foot films alone; others get a row that says why."),
    ] = False,
    select_only: Annotated[
        bool,
        typer.Option(
            "--select-only",
            help="Measure nothing: write selection.csv, what every file is.",
        ),
    ] = False,
) -> None:
    """Measure every foot on every film and say which readings a person must look at."""
    from rich.console import Console

    if select_only:
        from raysplay.infer.selection.command import run_selection

        if workers is not None or scheduler:
            raise typer.BadParameter("goes through the files in this process alone", param_hint="--select-only")
        if accelerator is not None:
            raise typer.BadParameter("is for a run that measures", param_hint="--accelerator")
        if report:
            raise typer.BadParameter("is of a run that measures", param_hint="--report")
        run_selection(paths, out, overwrite=overwrite, threads=threads, load=foot_reader, name_key=name_key)
        return
    run = run_measure(
        paths,
        out,
        ReadingOptions(protocol, threads, landmark_weights, accelerator),
        overwrite=overwrite,
        keep_reads=keep_reads,
        overlays=overlays,
        select=select,
        workers=workers,
        scheduler=scheduler,
        ledger=ledger,
        person_key=person_key,
        name_key=name_key,
        rehash=rehash,
        retry=retry,
        console=Console(stderr=True),
    )
    if report:
        _write_report(run.folder)
    print_summary(run, Console())


def run_measure(
    paths: Iterable[Path],
    out: Path,
    options: ReadingOptions,
    *,
    overwrite: bool = False,
    keep_reads: bool = False,
    overlays: bool = True,
    select: bool = False,
    workers: int | None = None,
    scheduler: str = "",
    ledger: str = "",
    person_key: Path | None = None,
    name_key: Path | None = None,
    rehash: bool = False,
    retry: bool = False,
    console: Console,
) -> MeasuredRun:
    """Measure ``paths`` into ``out`` as :func:`~raysplay.infer.measuring.measure_into` does, with a bar on ``console``.

    Raises
    ------
    typer.BadParameter
        If a path is missing, there is no file, or ``out`` cannot take the run.
    ConfigError, WeightsError
        If a configuration or weights file cannot be used; nothing was written then.
    typer.Exit
        With the error's status, if the folder could not be written any more; what is kept was said.
    """
    from raysplay.infer.films.decoder_process import one_ahead

    if workers is not None and scheduler:
        raise typer.BadParameter("is for this machine alone; the cluster has its own", param_hint="--workers")
    if options.accelerator is not None and scheduler:
        raise typer.BadParameter(
            "is of this machine, and a cluster's workers read elsewhere; leave one of both out",
            param_hint="--accelerator",
        )
    if options.threads is not None and (workers is not None or scheduler or options.accelerator is not None):
        raise typer.BadParameter(
            "each process reads with one thread, so that numbers are the same", param_hint="--threads"
        )
    with contextlib.ExitStack() as opened:
        if workers is None and not scheduler and options.accelerator is None:
            opened.enter_context(one_ahead())
        return _measured(
            paths,
            out,
            options,
            console,
            overwrite=overwrite,
            keep_reads=keep_reads,
            overlays=overlays,
            select=select,
            workers=workers,
            scheduler=scheduler,
            ledger=ledger,
            person_key=person_key,
            name_key=name_key,
            rehash=rehash,
            retry=retry,
        )


def _measured(paths: Iterable[Path], out: Path, options: ReadingOptions, console: Console, **asked: Any) -> MeasuredRun:
    """The run; what is wrong with an option is said of that option."""
    from raysplay.infer.films_to_measure import NoFilmsError
    from raysplay.infer.measuring import ReadsAtStakeError
    from raysplay.infer.outputs.name_key import NameKeyError
    from raysplay.infer.outputs.run_folder import RunFolderError

    try:
        return measure_with_bar(paths, out, options, console, sys.argv, **asked)
    except NoFilmsError as error:
        raise typer.BadParameter(str(error), param_hint="PATH") from error
    except NameKeyError as error:
        raise typer.BadParameter(str(error), param_hint="--name-key") from error
    except ReadsAtStakeError as error:
        raise typer.BadParameter(str(error), param_hint="--overwrite") from error
    except RunFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error


def measure_with_bar(
    paths: Iterable[Path],
    out: Path,
    options: ReadingOptions,
    console: Console,
    command: Sequence[str],
    **asked: Any,
) -> MeasuredRun:
    """:func:`~raysplay.infer.measuring.measure_into` with its other options in ``asked``, and a bar on ``console``.

    Raises
    ------
    RunFolderError, NoFilmsError, NameKeyError, ConfigError, WeightsError
        As there.
    typer.Exit
        With the error's status, if the folder could not be written any more; what is kept was said.
    """
    from raysplay.infer.measuring import measure_into
    from raysplay.infer.outputs.run_folder import RunStoppedError

    with _Bar(console) as bar, _ended_by_sigterm():
        try:
            return measure_into(
                paths,
                out,
                protocol=options.protocol,
                threads=options.threads,
                landmark_weights=options.landmark_weights,
                accelerator=options.accelerator,
                progress=bar.show,
                notice=bar.say,
                command=command,
                load=foot_reader,
                **asked,
            )
        except RunStoppedError as error:
            bar.say(f"Stopped: {error}")
            raise typer.Exit(error.exit_status) from error


def _write_report(folder: Path) -> None:
    """The page on the run; one of an earlier state gives way.

    Raises
    ------
    typer.Exit
        If it cannot be written: the run itself is whole.
    """
    from raysplay.infer.overview import ReportFileError, overview

    try:
        overview(folder).write(overwrite=True)
    except ReportFileError as error:
        typer.echo(f"Error: the run is whole, but its report is not: {error}", err=True)
        raise typer.Exit(error.exit_status) from error


def _report_line(folder: Path) -> str:
    """Where the page on the run is, or how to make it."""
    from raysplay.infer.outputs.run_files import ABOUT, REPORT
    from raysplay.infer.overview.made import is_of

    place, call = folder / REPORT, f"raysplay report {shlex.quote(str(folder))}"
    if not place.exists():
        return f"One page on the run: {call}"
    if is_of(place, folder / ABOUT):
        return f"One page on the run: {place}"
    return f"{place} is of an earlier state of the run; anew: {call} --overwrite"


@contextlib.contextmanager
def _ended_by_sigterm() -> Iterator[None]:
    """Let SIGTERM end a run as Ctrl-C does: what was read is kept and said."""

    def end(*_: object) -> None:
        raise KeyboardInterrupt

    try:
        before = signal.signal(signal.SIGTERM, end)
    except ValueError:  # not the main thread
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def foot_reader(threads: int | None, landmark_weights: Path | str | None = None) -> ReadsFeet:
    """The networks; see :func:`~raysplay.infer.measuring.networks`."""
    from raysplay.infer.measuring import networks

    return networks(threads, landmark_weights)


class _Bar:
    """Shows on a console how far measuring has come, one stage at a time."""

    def __init__(self, console: Console) -> None:
        self._console, self._shown = console, contextlib.ExitStack()
        self._advance: Callable[[int], None] | None = None

    def show(self, step: Progress) -> None:
        """Draw the stage; the bar moves with every film."""
        if step.stage == "measuring":
            if self._advance is None:
                self._advance = self._films(step.total)
            self._advance(step.done)
        else:
            self._end()
            self._shown.enter_context(self._console.status(_STATUS[step.stage]))

    def say(self, text: str) -> None:
        """Print a sentence below what was shown."""
        self._end()
        self._console.print(text, soft_wrap=True, highlight=False)

    def _films(self, total: int) -> Callable[[int], None]:
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
        from rich.progress import Progress as Films

        self._end()
        columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn()
        films = Films(*columns, TextColumn("time left"), TimeRemainingColumn(), console=self._console)
        self._shown.enter_context(films)
        task = films.add_task("Measuring", total=total)
        return lambda done: films.update(task, completed=done)

    def _end(self) -> None:
        self._shown.close()
        self._advance = None

    def __enter__(self) -> _Bar:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()


_STATUS = {"loading": "Loading the network", "writing": "Writing the last tables"}


def print_summary(run: MeasuredRun, console: Console) -> None:
    """Print decisions and their reasons, spread of every measure, what is missing or unproven, where the outputs lie,
    what to do next, and the caution."""
    import numpy as np
    from rich.table import Table

    from raysplay.infer.decide.wording import number
    from raysplay.infer.records import OUTCOMES
    from raysplay.measure import by_name

    report = run.report
    decisions = Table(title=f"{report.films} films, {report.feet} feet", title_justify="left")
    decisions.add_column("Decision")
    decisions.add_column("Rows", justify="right")
    for name in OUTCOMES:
        decisions.add_row(name, str(report.decisions.get(name, 0)))
    console.print(decisions)
    _print_reasons(report, console)
    spread = Table(title="Measured feet, accepted and review", title_justify="left")
    for heading in ("Measure", "Feet", "5 %", "Median", "95 %"):
        spread.add_column(heading, justify="left" if heading == "Measure" else "right")
    for name, numbers in run.values.items():
        measure = by_name(name)
        low, middle, high = np.percentile(np.asarray(numbers), (5, 50, 95)) if numbers else (np.nan,) * 3
        cells = (number(v, measure.unit) if np.isfinite(v) else "" for v in (low, middle, high))
        spread.add_row(f"{measure.abbreviation} ({measure.unit})", str(len(numbers)), *cells)
    console.print(spread)
    console.print(
        f"{run.wall_seconds:.1f} s, {report.films_per_minute(run.wall_seconds):.0f} films a minute",
        highlight=False,
    )
    if report.seconds:
        console.print(_where_time_went(run), highlight=False, soft_wrap=True)
    for said in run.passed_over:
        console.print(f"{said[0].upper()}{said[1:]}", highlight=False, soft_wrap=True)
    for line in _missing(run):
        console.print(line, highlight=False, soft_wrap=True)
    console.print(f"Tables: {run.folder / 'feet.csv'}, for people {run.folder / 'feet.xlsx'}", soft_wrap=True)
    if (run.folder / "overlays").is_dir():
        console.print(f"Pictures: {run.folder / 'overlays'}", highlight=False, soft_wrap=True)
    console.print(_report_line(run.folder), highlight=False, soft_wrap=True)
    if report.feet:
        waiting = report.decisions.get("review", 0)
        feet = "1 foot waits" if waiting == 1 else f"{waiting} feet wait"
        why = f"{feet} for a person" if waiting else "a person confirms the numbers that are used"
        console.print(f"Next: {why}: raysplay review {shlex.quote(str(run.folder))}", highlight=False, soft_wrap=True)
    console.print(CAUTION, style="bold")


def _where_time_went(run: MeasuredRun) -> str:
    """Stages by their share of the time of all threads and processes; what the networks' arithmetic came to."""
    seconds = {stage: spent for stage, spent in run.report.seconds.items() if spent > 0}
    whole = sum(seconds.values())
    shares = sorted(((spent / whole, stage) for stage, spent in seconds.items()), reverse=True)
    each = ", ".join(f"{stage} {share:.0%}" for share, stage in shares if share >= 0.005)
    reached = run.report.share_of_machine(run.wall_seconds)
    return f"Time of all threads: {each}." + (
        f" The networks reached {reached:.0%} of this machine's rate of matrix products." if reached else ""
    )


_REASONS_SHOWN = 12


def _print_reasons(report: RunReport, console: Console) -> None:
    """Kinds of reason of what was not accepted, the most frequent first."""
    from rich.table import Table

    if not report.reasons:
        return
    table = Table(title="Reasons of rows in review and refused; a row may have several", title_justify="left")
    table.add_column("Kind of reason")
    table.add_column("Rows", justify="right")
    ordered = sorted(report.reasons.items(), key=lambda one: (-one[1], one[0].words))
    for kind, rows in ordered[:_REASONS_SHOWN]:
        table.add_row(kind.words, str(rows))
    if len(ordered) > _REASONS_SHOWN:
        table.add_row(f"{len(ordered) - _REASONS_SHOWN} other kinds, see feet.csv", "")
    console.print(table)


def _missing(run: MeasuredRun) -> Iterator[str]:
    """Numbers that were withheld and measures that are not proven, in sentences."""
    from raysplay.measure import by_name

    withheld = run.report.withheld
    if withheld:
        each = ", ".join(f"{by_name(name).abbreviation} on {feet}" for name, feet in withheld.most_common())
        yield f"Withheld: {withheld.total()} numbers ({each} feet); why stands in feet.csv."
    unproven = [by_name(name).abbreviation for name in run.values if name not in run.proven]
    if unproven:
        yield (
            f"Unproven: {', '.join(unproven)}. Their error on bones that no generator drew is unknown or too large: "
            "see raysplay measures NAME."
        )

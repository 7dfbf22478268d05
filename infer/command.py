"""``raysplay measure``: films in, tables and overlays out."""

from __future__ import annotations

import contextlib
import os
import shlex
import sys
import time
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.console import Console
    from rich.progress import Progress

    from raysplay.configs.protocol import ReadingProtocol
    from raysplay.infer.films.collect import Candidate, Collected
    from raysplay.infer.outputs.run_folder import RunFolder
    from raysplay.infer.outputs.run_report import RunReport
    from raysplay.infer.pipeline import ReadsFeet
    from raysplay.infer.records import FilmRecord

CAUTION = "A person confirms every number used in care. The numbers are no diagnosis."


@dataclass(frozen=True)
class MeasuredRun:
    """A finished run: folder, counts, wall time, values of every measure, which are proven, what was passed over."""

    folder: Path
    report: RunReport
    wall_seconds: float
    values: dict[str, array[float]]
    proven: frozenset[str]
    passed_over: tuple[str, ...] = ()


def measure(
    paths: Annotated[
        list[Path],
        typer.Argument(metavar="PATH...", help="Films or folders of films: DICOM, PNG, JPEG, TIFF."),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for tables and overlays.")],
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier run in the folder.")] = False,
    keep_reads: Annotated[
        bool,
        typer.Option(
            "--keep-reads",
            help="With --overwrite: carry the reads of the earlier run over to films and feet that are the same.",
        ),
    ] = False,
    overlays: Annotated[bool, typer.Option("--overlays/--no-overlays", help="Draw a picture of every foot.")] = True,
    threads: Annotated[
        int | None, typer.Option("--threads", min=1, help="Threads of the network; all cores if left out.")
    ] = None,
    landmark_weights: Annotated[
        Path | None,
        typer.Option(
            "--landmark-weights", metavar="FILE", help="Fine-tuned landmark network; the shipped one if left out."
        ),
    ] = None,
    protocol: Annotated[
        Path | None,
        typer.Option(
            "--protocol", metavar="FILE", help="Measures to report and how they are built; protocol.yaml if left out."
        ),
    ] = None,
) -> None:
    """Measure every foot on every film and say which readings a person must look at."""
    from rich.console import Console

    run = run_measure(
        paths,
        out,
        overwrite=overwrite,
        keep_reads=keep_reads,
        overlays=overlays,
        threads=threads,
        landmark_weights=landmark_weights,
        protocol=protocol,
        console=Console(stderr=True),
    )
    print_summary(run, Console())


def run_measure(
    paths: Iterable[Path],
    out: Path,
    *,
    overwrite: bool = False,
    keep_reads: bool = False,
    overlays: bool = True,
    threads: int | None = None,
    landmark_weights: Path | None = None,
    protocol: Path | None = None,
    console: Console,
) -> MeasuredRun:
    """Measure ``paths`` into ``out``, with a progress bar on ``console``.

    Raises
    ------
    typer.BadParameter
        If a path is missing, there is no file, or ``out`` cannot take the run.
    ConfigError, WeightsError
        If a configuration or weights file cannot be used; nothing was written then.
    typer.Exit
        With status 1, if the folder could not be written any more; what is kept was said.
    """
    from raysplay.infer.outputs.owner_only import owner_only

    with owner_only():
        return _run_measure(
            paths,
            out,
            overwrite=overwrite,
            keep_reads=keep_reads,
            overlays=overlays,
            threads=threads,
            landmark_weights=landmark_weights,
            protocol=protocol,
            console=console,
        )


def _run_measure(
    paths: Iterable[Path],
    out: Path,
    *,
    overwrite: bool,
    keep_reads: bool,
    overlays: bool,
    threads: int | None,
    landmark_weights: Path | None,
    protocol: Path | None,
    console: Console,
) -> MeasuredRun:
    from raysplay.configs.load import landmark_schema, locate, shipped
    from raysplay.configs.proof import proofs
    from raysplay.infer.decide.settings import decision_settings
    from raysplay.infer.films.collect import collect
    from raysplay.infer.films.settings import film_settings
    from raysplay.infer.outputs.owner_only import open_to_others
    from raysplay.infer.outputs.run_folder import RunFolder, RunFolderError, RunStoppedError
    from raysplay.infer.outputs.run_writer import RunWriter
    from raysplay.infer.outputs.settings import output_settings
    from raysplay.infer.settings import reading_settings

    started = time.perf_counter()
    # All that can be wrong with a configuration comes out here, not at the first film.
    limits, schema, reading = decision_settings(), landmark_schema(), film_settings()
    reading_settings()
    output_settings()
    protocol = shipped("protocol.yaml") if protocol is None else locate(protocol)
    by_protocol = _read_protocol(protocol)
    reported = by_protocol.reported_measures()
    try:
        collected = collect(paths)
        candidates, passed_over = collected.candidates, _passed_over(collected)
        if not candidates:
            beside = f" ({'; '.join(passed_over)})" if passed_over else ""
            raise typer.BadParameter(f"there is no file to measure{beside}", param_hint="PATH")
        folder = RunFolder(out, overwrite=overwrite)
        if overwrite and (lost := reads_at_stake(out, keep_reads)):
            raise typer.BadParameter(lost, param_hint="--overwrite")
    except FileNotFoundError as error:
        raise typer.BadParameter(str(error), param_hint="PATH") from error
    except RunFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error

    # These bring the network and the decoders with them; a wrong call should not have to wait for that.
    from raysplay.infer.films.decode import FilmReader
    from raysplay.infer.films.person import new_key
    from raysplay.infer.pipeline import FilmPipeline

    with console.status("Loading the network"):
        feet = foot_reader(threads, landmark_weights)
    values = {measure.name: array("d") for measure in reported}
    if os.path.isdir(out) and open_to_others(out):
        console.print(
            f"Note: other users of this machine can see the names of what lies in {out}, and names of pictures repeat "
            "those of films. The files themselves are for their owner alone.",
            soft_wrap=True,
            highlight=False,
        )
    try:
        writer = RunWriter(folder, schema, reported, overlays=overlays, level=limits.interval.level)
    except RunFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error
    except RunStoppedError as error:
        raise _stopped(str(error), folder, 0, len(candidates), console) from error
    try:
        with FilmReader(reading.model_copy(update={"person_key": new_key()})) as films, _progress(console) as progress:
            task = progress.add_task("Measuring", total=len(candidates))
            for done in FilmPipeline(films, feet, limits, schema, by_protocol).read(candidates):
                writer.write(done.record, done.film, done.doubtful)
                _keep(done.record, values)
                progress.advance(task)
        wall = time.perf_counter() - started
        # Also those that were saved while this run went on.
        carried = _note_reads(out)
        with console.status("Writing the last tables"):
            writer.finish(
                command=sys.argv,
                wall_seconds=wall,
                weights=feet.digests,
                protocol=protocol,
                films=_films_folder(candidates[0]),
                machine=_machine(),
            )
    except RunStoppedError as error:
        writer.close()
        raise _stopped(str(error), folder, writer.report.films, len(candidates), console) from error
    except BaseException:
        writer.close()
        console.print(f"Stopped. Rows so far lie in {out} under names that end in .partial.")
        raise
    if carried:
        _carry_reads(out, console)
    return MeasuredRun(out, writer.report, wall, values, proofs().proven(reported, feet.digests), passed_over)


def reads_at_stake(folder: Path, keep: bool = False) -> str:
    """Why the run of a folder must not be replaced, in a sentence: people have read its films; empty if nobody did.

    Parameters
    ----------
    keep : bool
        Whether the reads will be carried over; what cannot be seen or counted is still said.
    """
    from raysplay.infer.outputs.run_files import STORE
    from raysplay.infer.review.other_stores import stores_noted
    from raysplay.infer.review.reads_found import reads_in

    found = reads_in(folder)
    if found.problem:
        return f"{found.problem}. Restore a copy of it or move it away, or choose another folder"
    if keep:
        return ""
    choices = "choose another folder; or raysplay export first, and then"
    if found:
        return (
            f"{folder / STORE}: holds {found.reads} reads of {found.feet} feet of the run that would be replaced. "
            f"Either {choices} pass --keep-reads as well: a read stands where film, side and points are the same, else "
            "its foot is open again and the read is in its history"
        )
    if stores := stores_noted(folder):
        return (
            f"{folder}: its run was reviewed with {', '.join(stores)}, whose reads cannot be counted or carried over "
            f"from here. Either {choices} pass --keep-reads as well: they stay in that store, with the earlier run"
        )
    return ""


def holds_reads(folder: Path) -> str:
    """The same for a folder whose films are measured for a comparison alone, where no reads are carried over."""
    from raysplay.infer.review.reads_found import reads_in

    found = reads_in(folder)
    held = found.problem or (f"{folder}: holds {found.reads} reads of {found.feet} feet" if found else "")
    return f"{held}. Move it away, or choose another folder" if held else ""


def _note_reads(folder: Path) -> bool:
    """Whether the folder holds reads; what they were made on is noted while their run still stands."""
    from raysplay.infer.review.reads_found import reads_in

    if not reads_in(folder):
        return False
    from raysplay.infer.outputs.finished_run import RunError
    from raysplay.infer.review.carry_over import note_grounds
    from raysplay.infer.review.store import StoreError

    # Without, their feet will be open again; the reads themselves are kept either way.
    with contextlib.suppress(RunError, StoreError):
        note_grounds(folder)
    return True


def _carry_reads(folder: Path, console: Console) -> None:
    """Let the new run take over the reads of the one before, and say what became of them."""
    from raysplay.infer.outputs.finished_run import RunError
    from raysplay.infer.review.carry_over import carry_over
    from raysplay.infer.review.store import StoreError

    try:
        told = carry_over(folder).sentence()
    except (RunError, StoreError) as error:
        told = (
            f"The reads of the earlier run are kept, but were not carried over yet: {error}. raysplay review does so."
        )
    console.print(told, soft_wrap=True, highlight=False)


def _stopped(why: str, folder: RunFolder, films: int, of: int, console: Console) -> typer.Exit:
    """Say what became of a run that could not be written any further; the end of the program."""
    if folder.replacing:
        kept = "The folder holds no whole run now; measure again."
    else:
        kept = (
            f"{films} of {of} films were measured; their rows lie there under names that end in .partial, the last one "
            "perhaps cut off. An earlier run in the folder is as it was."
        )
    console.print(f"Stopped: {why}. {kept}", soft_wrap=True, highlight=False)
    return typer.Exit(1)


def _machine() -> dict[str, str | int]:
    """What the last digits of the networks' numbers depend on."""
    import platform

    import torch

    return {
        "threads": torch.get_num_threads(),
        "cpu_capability": torch.backends.cpu.get_cpu_capability(),
        "architecture": platform.machine(),
    }


def foot_reader(threads: int | None, landmark_weights: Path | None = None) -> ReadsFeet:
    """The networks with the weights that come with the package, or other weights for the landmarks."""
    from raysplay.infer.foot_reader import WEIGHTS_DIR, FootReader

    if threads is not None:
        threads = min(threads, os.cpu_count() or threads)  # more only slow it, and far more end the program
    if landmark_weights is None:
        return FootReader.shipped(threads=threads)
    return FootReader(WEIGHTS_DIR / "locator.safetensors", landmark_weights, threads=threads)


def print_summary(run: MeasuredRun, console: Console) -> None:
    """Print decisions and their reasons, spread of every measure, what is missing or unproven, where the outputs lie,
    what to do next, and the caution."""
    import numpy as np
    from rich.table import Table

    from raysplay.infer.decide.wording import number
    from raysplay.measure import by_name

    report = run.report
    decisions = Table(title=f"{report.films} films, {report.feet} feet", title_justify="left")
    decisions.add_column("Decision")
    decisions.add_column("Rows", justify="right")
    for name in ("accepted", "review", "refused"):
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
    for said in run.passed_over:
        console.print(f"{said[0].upper()}{said[1:]}", highlight=False, soft_wrap=True)
    for line in _missing(run):
        console.print(line, highlight=False, soft_wrap=True)
    console.print(f"Tables: {run.folder / 'feet.csv'}, for people {run.folder / 'feet.xlsx'}", soft_wrap=True)
    if (run.folder / "overlays").is_dir():
        console.print(f"Pictures: {run.folder / 'overlays'}", highlight=False, soft_wrap=True)
    if report.feet:
        waiting = report.decisions.get("review", 0)
        feet = "1 foot waits" if waiting == 1 else f"{waiting} feet wait"
        why = f"{feet} for a person" if waiting else "a person confirms the numbers that are used"
        console.print(f"Next: {why}: raysplay review {shlex.quote(str(run.folder))}", highlight=False, soft_wrap=True)
    console.print(CAUTION, style="bold")


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


def _read_protocol(path: Path) -> ReadingProtocol:
    """The protocol of a file, checked to speak of every kind of pixel spacing and of no other."""
    from raysplay.configs.load import ConfigError
    from raysplay.configs.protocol import read_protocol
    from raysplay.infer.films.film import SpacingKind

    read = read_protocol(path)
    kinds = {kind.value for kind in SpacingKind}
    if set(read.spacing) != kinds:
        wrong = ", ".join(sorted(kinds ^ set(read.spacing)))
        raise ConfigError(f"{path}: spacing: missing, or no kind of spacing: {wrong}")
    return read


def _passed_over(collected: Collected) -> tuple[str, ...]:
    """What lies among the films and gets no row, in words."""
    said = [f"not measured: what an earlier run wrote into {run}" for run in collected.runs]
    if collected.litter:
        said.append(f"passed over files and folders of the operating system: {collected.litter}")
    return tuple(said)


def _films_folder(candidate: Candidate) -> Path | None:
    """Folder that the names of a run's films are relative to; None where a name is a whole path."""
    above = len(PurePosixPath(candidate.name).parts)
    folders = candidate.path.parents
    return folders[above - 1] if above <= len(folders) else None


def _keep(record: FilmRecord, values: dict[str, array[float]]) -> None:
    for foot in record.feet:
        for one in foot.measurements:
            if one.value == one.value:
                values[one.measure].append(one.value)


def _progress(console: Console) -> Progress:
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("time left"),
        TimeRemainingColumn(),
        console=console,
    )

"""From films to results: the one way of measuring, for the command and for Python.

A person confirms every number that is used in care, on the film itself; an accepted foot is not a confirmed one.
"""

from __future__ import annotations

import contextlib
import os
import time
from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from raysplay.configs.load import landmark_schema
from raysplay.configs.proof import proofs
from raysplay.infer.films_to_measure import FilmsToMeasure, Paths, films_to_measure
from raysplay.infer.outputs.owner_only import open_to_others, owner_only
from raysplay.infer.outputs.run_folder import RunFolder, RunFolderError, RunStoppedError
from raysplay.infer.outputs.run_report import RunReport
from raysplay.infer.progress import Progress, Steps
from raysplay.infer.reading_options import ReadingOptions
from raysplay.infer.reads_at_stake import carried_reads, note_reads, reads_at_stake
from raysplay.infer.records import FilmRecord
from raysplay.infer.results import FilmResult, film_result

if TYPE_CHECKING:
    from raysplay.infer.finished import Run
    from raysplay.infer.outputs.run_writer import RunWriter
    from raysplay.infer.pipeline import ReadsFeet

LoadsNetworks = Callable[[int | None, Path | str | None], "ReadsFeet"]
"""Gives the networks: threads (all cores if None), landmark weights (the shipped ones if None)."""


class ReadsAtStakeError(RunFolderError):
    """A run that people have read would be replaced; the message says how many reads, and the ways out."""


@dataclass(frozen=True)
class MeasuredRun:
    """A finished run: folder, counts, wall time, values of every measure, which are proven, what was passed over.

    ``notices`` is what a person should know of how it was written, in sentences.
    """

    folder: Path
    report: RunReport
    wall_seconds: float
    values: dict[str, array[float]]
    proven: frozenset[str]
    passed_over: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()

    def read(self) -> Run:
        """The run as it lies in its folder.

        Raises
        ------
        RunError
            If it is no longer there, or was changed.
        """
        from raysplay.infer.finished import read_run

        return read_run(self.folder)


def networks(threads: int | None = None, landmark_weights: Path | str | None = None) -> ReadsFeet:
    """The networks with the weights that come with the package, or other weights for the landmarks.

    Raises
    ------
    WeightsError
        If a weights file cannot be used.
    """
    from raysplay.infer.foot_reader import WEIGHTS_DIR, FootReader

    if threads is not None:
        threads = min(threads, os.cpu_count() or threads)  # more only slow it, and far more end the program
    if landmark_weights is None:
        return FootReader.shipped(threads=threads)
    return FootReader(WEIGHTS_DIR / "locator.safetensors", Path(landmark_weights), threads=threads)


def measure(
    paths: Paths,
    *,
    protocol: Path | str | None = None,
    threads: int | None = None,
    landmark_weights: Path | str | None = None,
    progress: Callable[[Progress], None] | None = None,
    load: LoadsNetworks = networks,
) -> Iterator[FilmResult]:
    """Measure every foot on every film, and give each film as soon as it is done; nothing is written.

    A film that cannot be read, shows no foot, or fails, is a result like others, with its reason; the rest goes on.
    Look at ``decision`` before a number: :func:`~raysplay.infer.results.accepted` chooses feet that no check objected
    to. A person confirms every number that is used in care.

    Parameters
    ----------
    paths : path, or iterable of paths
        Films or folders of films: DICOM, PNG, JPEG, TIFF; as ``raysplay measure`` takes them.
    protocol : path, optional
        Measures to report and how they are built; the shipped ``protocol.yaml`` by default.
    threads : int, optional
        Of the network, for the whole process; all cores by default.
    landmark_weights : path, optional
        Fine-tuned landmark network.
    progress : callable, optional
        Called before the networks are loaded, before the first film, and after each.
    load : callable, optional
        Loads what stands in for the networks.

    Returns
    -------
    iterator of FilmResult
        In the order of the names of the films. Networks are loaded with the first; processes that decode films end when
        the iterator does, or is closed.

    Raises
    ------
    NoFilmsError
        If a path is missing or there is no file.
    ConfigError
        If a configuration or protocol file cannot be used.
    WeightsError
        With the first film, if a weights file cannot be used.
    """
    films = films_to_measure(paths, protocol)
    options = ReadingOptions(protocol, threads, landmark_weights)
    return _results(films, Steps(progress, len(films.candidates)), options, load)


def _results(films: FilmsToMeasure, steps: Steps, options: ReadingOptions, load: LoadsNetworks) -> Iterator[FilmResult]:
    feet = _loaded(steps, options, load)
    proven = proofs().proven(films.reported, feet.digests)
    steps.measuring(0)
    with contextlib.closing(films.read(feet)) as readings:
        for number, reading in enumerate(readings, start=1):
            result = film_result(reading.record, films.reported, proven)
            steps.measuring(number, result)
            yield result


def measure_into(
    paths: Paths,
    out: Path | str,
    *,
    overwrite: bool = False,
    keep_reads: bool = False,
    overlays: bool = True,
    protocol: Path | str | None = None,
    threads: int | None = None,
    landmark_weights: Path | str | None = None,
    select: bool = False,
    progress: Callable[[Progress], None] | None = None,
    notice: Callable[[str], None] | None = None,
    command: Sequence[str] = ("raysplay.infer.measure_into",),
    load: LoadsNetworks = networks,
) -> MeasuredRun:
    """Measure films and write the run, as ``raysplay measure`` does; its folder can be reviewed and exported.

    Until the run is whole its files end in ``.partial``. While it goes on, files that this process makes can be read by
    their owner alone.

    Parameters
    ----------
    paths, protocol, threads, landmark_weights, progress, load
        As for :func:`measure`; ``progress`` also before the last tables are written. What it raises stops the run.
    out : path
        Folder for tables and overlays.
    overwrite : bool
        Replace an earlier run in the folder.
    keep_reads : bool
        With ``overwrite``: carry the reads of the earlier run over to films and feet that are the same.
    select : bool
        Measure what the selection keeps alone; a file that it leaves out is refused, with the kind ``left_out``.
    overlays : bool
        Draw a picture of every foot.
    notice : callable, optional
        Told at once what :attr:`MeasuredRun.notices` gathers, and where rows lie if the run is stopped.
    command : sequence of str
        What ``run.json`` states as the command line.

    Raises
    ------
    NoFilmsError, ConfigError, WeightsError
        As :func:`measure` does; nothing was written then.
    RunFolderError
        If ``out`` cannot take the run; :class:`ReadsAtStakeError` if people have read the run that it holds.
    RunStoppedError
        If the folder could not be written any more; the message says what is kept.
    """
    notices: list[str] = []

    def note(text: str) -> None:
        notices.append(text)
        if notice is not None:
            notice(text)

    with owner_only():
        started = time.perf_counter()
        films = replace(films_to_measure(paths, protocol), select=select)
        folder = RunFolder(Path(out), overwrite=overwrite)
        if overwrite and (lost := reads_at_stake(folder.path, keep_reads)):
            raise ReadsAtStakeError(lost)
        steps = Steps(progress, len(films.candidates))
        feet = _loaded(steps, ReadingOptions(protocol, threads, landmark_weights), load)
        if os.path.isdir(folder.path) and open_to_others(folder.path):
            note(
                f"Note: other users of this machine can see the names of what lies in {folder.path}, and names of "
                "pictures repeat those of films. The files themselves are for their owner alone."
            )
        run, holds_reads = _write(films, feet, folder, steps, note, overlays=overlays, started=started, command=command)
        if holds_reads:
            note(carried_reads(folder.path))
    return replace(run, notices=tuple(notices))


def _write(
    films: FilmsToMeasure,
    feet: ReadsFeet,
    folder: RunFolder,
    steps: Steps,
    note: Callable[[str], None],
    *,
    overlays: bool,
    started: float,
    command: Sequence[str],
) -> tuple[MeasuredRun, bool]:
    """The run, written, and whether its folder holds reads."""
    proven = proofs().proven(films.reported, feet.digests)
    values = {measure.name: array("d") for measure in films.reported}
    writer = _writer(films, folder, steps, overlays)
    with _left_in_order(writer, folder, steps, note):
        steps.measuring(0)
        with contextlib.closing(films.read(feet)) as readings:
            for reading in readings:
                writer.write(reading.record, reading.film, reading.doubtful)
                _keep(reading.record, values)
                steps.measuring(writer.report.films, film_result(reading.record, films.reported, proven))
        wall = time.perf_counter() - started
        # Also those that were saved while this run went on.
        holds_reads = note_reads(folder.path)
        steps.writing()
        writer.finish(
            command=command,
            wall_seconds=wall,
            weights=feet.digests,
            protocol=films.protocol_file,
            films=films.folder,
            machine=_machine(),
        )
    return MeasuredRun(folder.path, writer.report, wall, values, proven, films.passed_over), holds_reads


def _writer(films: FilmsToMeasure, folder: RunFolder, steps: Steps, overlays: bool) -> RunWriter:
    from raysplay.infer.outputs.run_writer import RunWriter

    level = films.limits.interval.level
    try:
        return RunWriter(folder, landmark_schema(), films.reported, overlays=overlays, level=level)
    except RunStoppedError as error:
        raise _stopped(error, folder, 0, steps.total) from error


@contextlib.contextmanager
def _left_in_order(writer: RunWriter, folder: RunFolder, steps: Steps, note: Callable[[str], None]) -> Iterator[None]:
    """Close the tables of a run that does not come to its end, and say what is kept of it."""
    try:
        yield
    except RunStoppedError as error:
        writer.close()
        raise _stopped(error, folder, writer.report.films, steps.total) from error
    except BaseException:
        writer.close()
        note(f"Stopped. Rows so far lie in {folder.path} under names that end in .partial.")
        raise


def _stopped(error: RunStoppedError, folder: RunFolder, films: int, of: int) -> RunStoppedError:
    """The same with what became of a run that could not be written any further."""
    if folder.replacing:
        kept = "The folder holds no whole run now; measure again."
    else:
        kept = (
            f"{films} of {of} films were measured; their rows lie there under names that end in .partial, the last one "
            "perhaps cut off. An earlier run in the folder is as it was."
        )
    return RunStoppedError(f"{error}. {kept}")


def _machine() -> dict[str, str | int]:
    """What the last digits of the networks' numbers depend on."""
    import platform

    import torch

    return {
        "threads": torch.get_num_threads(),
        "cpu_capability": torch.backends.cpu.get_cpu_capability(),
        "architecture": platform.machine(),
    }


def _keep(record: FilmRecord, values: dict[str, array[float]]) -> None:
    for foot in record.feet:
        for one in foot.measurements:
            if one.value == one.value:
                values[one.measure].append(one.value)


def _loaded(steps: Steps, options: ReadingOptions, load: LoadsNetworks) -> ReadsFeet:
    steps.loading()
    return load(options.threads, options.landmark_weights)

"""From films to results: the one way of measuring, for the command and for Python.

A person confirms every number that is used in care, on the film itself; an accepted foot is not a confirmed one.
"""

from __future__ import annotations

import contextlib
import os
import time
from array import array
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Literal

from raysplay.configs.errors import RaysplayError
from raysplay.configs.load import landmark_schema
from raysplay.configs.proof import proofs
from raysplay.configs.protocol import ReadingProtocol
from raysplay.infer.films.collect import Candidate, Collected, collect
from raysplay.infer.films.settings import FilmLimits, film_settings
from raysplay.infer.outputs.owner_only import open_to_others, owner_only
from raysplay.infer.outputs.run_folder import RunFolder, RunFolderError, RunStoppedError
from raysplay.infer.outputs.run_report import RunReport
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.reads_at_stake import carried_reads, note_reads, reads_at_stake
from raysplay.infer.records import FilmRecord
from raysplay.infer.results import FilmResult, film_result
from raysplay.infer.settings import reading_settings
from raysplay.infer.user_protocol import protocol_file, user_protocol
from raysplay.measure import Measure

if TYPE_CHECKING:
    from raysplay.infer.decide.settings import DecisionLimits
    from raysplay.infer.finished import Run
    from raysplay.infer.pipeline import FilmReading, ReadsFeet

Paths = Path | str | Iterable[Path | str]
LoadsNetworks = Callable[[int | None, Path | None], "ReadsFeet"]


class NoFilmsError(RaysplayError, ValueError):
    """A path that is missing, or paths without a file to measure; the message names it."""


class ReadsAtStakeError(RunFolderError):
    """A run that people have read would be replaced; the message says how many reads, and the ways out."""


@dataclass(frozen=True)
class Progress:
    """How far measuring has come.

    Attributes
    ----------
    stage : {'loading', 'measuring', 'writing'}
        Loading the networks, measuring films, writing the last tables.
    done, total : int
        Films.
    film : FilmResult or None
        The film that was just measured; None before the first and in the other stages.
    """

    stage: Literal["loading", "measuring", "writing"]
    done: int
    total: int
    film: FilmResult | None = None


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


def networks(threads: int | None = None, landmark_weights: Path | None = None) -> ReadsFeet:
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
    return FootReader(WEIGHTS_DIR / "locator.safetensors", landmark_weights, threads=threads)


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
    films = _find(paths, protocol)
    return _results(films, _Steps(progress, len(films.candidates)), threads, _path(landmark_weights), load)


def _results(
    films: _Films, steps: _Steps, threads: int | None, landmark_weights: Path | None, load: LoadsNetworks
) -> Iterator[FilmResult]:
    steps.loading()
    feet = load(threads, landmark_weights)
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
        films = _find(paths, protocol)
        folder = RunFolder(Path(out), overwrite=overwrite)
        if overwrite and (lost := reads_at_stake(folder.path, keep_reads)):
            raise ReadsAtStakeError(lost)
        steps = _Steps(progress, len(films.candidates))
        steps.loading()
        feet = load(threads, _path(landmark_weights))
        if os.path.isdir(folder.path) and open_to_others(folder.path):
            note(
                f"Note: other users of this machine can see the names of what lies in {folder.path}, and names of "
                "pictures repeat those of films. The files themselves are for their owner alone."
            )
        written = _write(films, feet, folder, steps, note, overlays=overlays, started=started, command=command)
        if written.carry:
            note(carried_reads(folder.path))
    return MeasuredRun(
        folder.path,
        written.report,
        written.wall_seconds,
        written.values,
        written.proven,
        films.passed_over,
        tuple(notices),
    )


@dataclass(frozen=True)
class _Written:
    """What was counted while a run was written; ``carry``: whether its folder holds reads."""

    report: RunReport
    wall_seconds: float
    values: dict[str, array[float]]
    proven: frozenset[str]
    carry: bool


def _write(
    films: _Films,
    feet: ReadsFeet,
    folder: RunFolder,
    steps: _Steps,
    note: Callable[[str], None],
    *,
    overlays: bool,
    started: float,
    command: Sequence[str],
) -> _Written:
    from raysplay.infer.outputs.run_writer import RunWriter

    proven = proofs().proven(films.reported, feet.digests)
    values = {measure.name: array("d") for measure in films.reported}
    try:
        writer = RunWriter(
            folder, landmark_schema(), films.reported, overlays=overlays, level=films.limits.interval.level
        )
    except RunStoppedError as error:
        raise _stopped(error, folder, 0, steps.total) from error
    try:
        steps.measuring(0)
        with contextlib.closing(films.read(feet)) as readings:
            for reading in readings:
                writer.write(reading.record, reading.film, reading.doubtful)
                _keep(reading.record, values)
                steps.measuring(writer.report.films, film_result(reading.record, films.reported, proven))
        wall = time.perf_counter() - started
        # Also those that were saved while this run went on.
        carry = note_reads(folder.path)
        steps.writing()
        writer.finish(
            command=command,
            wall_seconds=wall,
            weights=feet.digests,
            protocol=films.protocol_file,
            films=_films_folder(films.candidates[0]),
            machine=_machine(),
        )
    except RunStoppedError as error:
        writer.close()
        raise _stopped(error, folder, writer.report.films, steps.total) from error
    except BaseException:
        writer.close()
        note(f"Stopped. Rows so far lie in {folder.path} under names that end in .partial.")
        raise
    return _Written(writer.report, wall, values, proven, carry)


@dataclass(frozen=True)
class _Films:
    """What is to be measured, and by what: found and checked, no film opened yet."""

    candidates: list[Candidate]
    passed_over: tuple[str, ...]
    protocol: ReadingProtocol
    protocol_file: Path
    limits: DecisionLimits
    reading: FilmLimits

    @property
    def reported(self) -> tuple[Measure, ...]:
        return self.protocol.reported_measures()

    def read(self, feet: ReadsFeet) -> Generator[FilmReading]:
        """Every film, in order."""
        # These bring the decoders with them; a wrong call should not have to wait for that.
        from raysplay.infer.films.decode import FilmReader
        from raysplay.infer.films.person import new_key
        from raysplay.infer.pipeline import FilmPipeline

        with FilmReader(self.reading.model_copy(update={"person_key": new_key()})) as films:
            yield from FilmPipeline(films, feet, self.limits, landmark_schema(), self.protocol).read(self.candidates)


def _find(paths: Paths, protocol: Path | str | None) -> _Films:
    from raysplay.infer.decide.settings import decision_settings

    # All that can be wrong with a configuration comes out here, not at the first film.
    limits, reading = decision_settings(), film_settings()
    landmark_schema()
    reading_settings()
    output_settings()
    by_protocol = user_protocol(protocol)
    given = (paths,) if isinstance(paths, Path | str) else tuple(paths)
    try:
        collected = collect(given)
    except FileNotFoundError as error:
        raise NoFilmsError(str(error)) from error
    passed_over = _passed_over(collected)
    if not collected.candidates:
        beside = f" ({'; '.join(passed_over)})" if passed_over else ""
        raise NoFilmsError(f"there is no file to measure{beside}")
    return _Films(collected.candidates, passed_over, by_protocol, protocol_file(protocol), limits, reading)


class _Steps:
    """Tells a callback how far measuring has come."""

    def __init__(self, progress: Callable[[Progress], None] | None, total: int) -> None:
        self._progress, self.total, self._done = progress, total, 0

    def loading(self) -> None:
        self._tell(Progress("loading", 0, self.total))

    def measuring(self, done: int, film: FilmResult | None = None) -> None:
        self._done = done
        self._tell(Progress("measuring", done, self.total, film))

    def writing(self) -> None:
        self._tell(Progress("writing", self._done, self.total))

    def _tell(self, step: Progress) -> None:
        if self._progress is not None:
            self._progress(step)


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


def _path(path: Path | str | None) -> Path | None:
    return None if path is None else Path(path)

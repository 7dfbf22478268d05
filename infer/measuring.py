"""From films to results: the one way of measuring, for the command and for Python.

A person confirms every number that is used in care, on the film itself; an accepted foot is not a confirmed one.
"""

from __future__ import annotations

import contextlib
import os
from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from raysplay.configs.errors import RaysplayError
from raysplay.configs.proof import proofs
from raysplay.infer.films_to_measure import FilmsToMeasure, Paths, films_to_measure
from raysplay.infer.outputs.earlier_run import has_ledger
from raysplay.infer.outputs.name_key import NameKey, NameKeyError, command_without_names, hidden, made_or_read
from raysplay.infer.outputs.owner_only import open_to_others, owner_only
from raysplay.infer.outputs.run_files import ABOUT, STORE
from raysplay.infer.outputs.run_folder import RunFolder, RunFolderError, RunStoppedError
from raysplay.infer.outputs.run_report import RunReport
from raysplay.infer.outputs.run_tables import RunError, read_summary
from raysplay.infer.outputs.settings import output_settings
from raysplay.infer.progress import Progress, Steps
from raysplay.infer.reading_options import ReadingOptions
from raysplay.infer.reads_at_stake import reads_at_stake
from raysplay.infer.records import FilmRecord
from raysplay.infer.results import FilmResult, film_result

if TYPE_CHECKING:
    from raysplay.infer.archive.job import Engine
    from raysplay.infer.finished import Run
    from raysplay.infer.pipeline import ReadsFeet

LoadsNetworks = Callable[[int | None, Path | str | None], "ReadsFeet"]
"""Gives the networks: films read at once (as many as cores if None), landmark weights (the shipped ones if None)."""


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
    from raysplay.infer.foot_reader import FootReader

    if threads is not None:
        threads = min(threads, os.cpu_count() or threads)  # more only slow it, and far more end the program
    if landmark_weights is None:
        return FootReader.shipped(threads=threads)
    return FootReader.by_landmarks(Path(landmark_weights), threads)


def measure(
    paths: Paths,
    *,
    protocol: Path | str | None = None,
    threads: int | None = None,
    landmark_weights: Path | str | None = None,
    accelerator: str | None = None,
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
        Films or folders of films: DICOM, PNG, JPEG, TIFF; as ``raysplay measure`` takes them, but no address.
    protocol : path, optional
        Measures to report and how they are built; the shipped ``protocol.yaml`` by default.
    threads : int, optional
        Films looked at at once, each on one core; all cores by default.
    landmark_weights : path, optional
        Fine-tuned landmark network.
    accelerator : str, optional
        Device of torch that runs networks and resampling (``auto``, ``cuda``, ``cuda:1``); this processor by default.
        ``load`` has no part then.
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
    WeightsError, AcceleratorError
        With the first film, if a weights file or the accelerator cannot be used; with a later one, if it is lost.
    """
    films = films_to_measure(paths, protocol)
    options = ReadingOptions(protocol, threads, landmark_weights, accelerator)
    return _results(films, Steps(progress, len(films.candidates)), options, load)


def _results(films: FilmsToMeasure, steps: Steps, options: ReadingOptions, load: LoadsNetworks) -> Iterator[FilmResult]:
    with contextlib.ExitStack() as opened:
        feet = _loaded(steps, options, load, opened)
        proven = proofs().proven(films.reported, feet.digests)
        steps.measuring(0)
        readings = opened.enter_context(contextlib.closing(films.read(feet)))
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
    moved: bool = False,
    overlays: bool = True,
    protocol: Path | str | None = None,
    threads: int | None = None,
    landmark_weights: Path | str | None = None,
    accelerator: str | None = None,
    select: bool = False,
    progress: Callable[[Progress], None] | None = None,
    notice: Callable[[str], None] | None = None,
    workers: int | None = None,
    scheduler: str = "",
    ledger: str = "",
    person_key: Path | str | None = None,
    name_key: Path | str | None = None,
    rehash: bool = False,
    retry: bool = False,
    command: Sequence[str] = ("raysplay.infer.measure_into",),
    load: LoadsNetworks = networks,
) -> MeasuredRun:
    """Measure films and write the run, as ``raysplay measure`` does; its folder can be reviewed and exported.

    What was read of a film is kept at once: the same call goes on where another one stopped, and reads what is new or
    changed where one was finished (``archive/GUIDE.md``). Until the run is whole its files end in ``.partial``. While
    it goes on, files that this process makes can be read by their owner alone.

    Parameters
    ----------
    paths, protocol, threads, landmark_weights, accelerator, progress, load
        As for :func:`measure`, but that with an accelerator ``workers`` processes read, and ``threads`` has no part;
        ``progress`` also before the last tables are written. What it raises stops the run.
    out : path
        Folder for tables and overlays.
    overwrite : bool
        Replace an earlier run in the folder.
    keep_reads : bool
        With ``overwrite``: carry the reads of the earlier run over to films and feet that are the same.
    moved : bool
        Go on with a run of other paths, since its films lie elsewhere now: they are known again by their names below
        the folder and by their bytes.
    select : bool
        Measure what the selection keeps alone; a file that it leaves out is refused, with the kind ``left_out``. What
        was measured with a selection and what was measured without do not go into one folder.
    overlays : bool
        Draw a picture of every foot.
    notice : callable, optional
        Told at once what :attr:`MeasuredRun.notices` gathers, and where rows lie if the run is stopped.
    workers : int, optional
        Processes that read films, each one at a time; by default this process reads ``threads`` of them at once.
    scheduler : str
        Address of a Dask scheduler whose workers read the films.
    ledger : str
        Address of a PostgreSQL database for what is kept, instead of a file in ``out``.
    person_key : path, optional
        File of the key for codes of persons, made if missing; by default one for this run outside of ``out``.
    name_key : path, optional
        File of a key, made if missing: films get identifiers under it in every output, instead of their names
        (:mod:`~raysplay.infer.outputs.name_key`).
    rehash : bool
        Read all bytes to find what is changed, instead of trusting size, time and number of a file.
    retry : bool
        Read again films that were set aside.
    command : sequence of str
        What ``run.json`` states as the command line.

    Raises
    ------
    NoFilmsError, ConfigError, WeightsError, AcceleratorError
        As :func:`measure` does; nothing was written then. Of an accelerator that is lost later, RunStoppedError tells.
    ValueError
        If an accelerator and a scheduler are asked for, which may have none.
    RunFolderError
        If ``out`` cannot take the run, or holds one of other paths, weights, configuration or code;
        :class:`ReadsAtStakeError` if people have read the run that it holds.
    NameKeyError
        If ``name_key`` cannot be used: it lies in ``out``, is no key, or is gone though a run needs it.
    RunStoppedError
        If the folder could not be written any more, or the processes that read are gone; the message says what is kept.
    """
    from raysplay.infer.archive.archive_run import ArchiveRun, Asked
    from raysplay.infer.archive.job import EngineError

    notices: list[str] = []

    def note(text: str) -> None:
        notices.append(text)
        if notice is not None:
            notice(text)

    with owner_only(), contextlib.ExitStack() as opened:
        films = films_to_measure(paths, protocol, copies=False, addresses=True)
        folder = RunFolder(Path(out), overwrite=overwrite or has_ledger(Path(out)))
        if overwrite and (lost := reads_at_stake(folder.path, keep_reads)):
            raise ReadsAtStakeError(lost)
        films_folder, names = films.folder, None
        if name_key is not None:
            if films.at_address:
                raise NameKeyError("films at an address are not measured under identifiers; copy them into a folder")
            place = Path(name_key)
            goes_on = has_ledger(folder.path) and not overwrite
            names, made = made_or_read(place, folder.path, make=not goes_on)
            _refuse_named(films, folder.path, names)
            if made:
                note(f"Note: a new key was made, {place}. Keep it: without it nobody can say which film is which.")
            elif open_to_others(place):
                note(f"Note: other users of this machine may read {place}; it should be its owner's alone.")
            films, films_folder = _hidden(films, names), None
            command = command_without_names(command)
        steps = Steps(progress, len(films.candidates))
        steps.loading()
        options = ReadingOptions(protocol, threads, landmark_weights, accelerator)
        engine = _engine(films, options, load, overlays, select, workers, scheduler)
        opened.callback(engine.close)
        proven = proofs().proven(films.reported, engine.digests)
        if os.path.isdir(folder.path) and open_to_others(folder.path):
            note(
                f"Note: other users of this machine can see the names of what lies in {folder.path}, and names of "
                "pictures repeat those of films. The files themselves are for their owner alone."
            )
        asked = Asked(
            films.candidates,
            films.inputs,
            films_folder,
            films.protocol_file,
            films.reported,
            films.limits.interval.level,
            command,
            overlays=overlays,
            overwrite=overwrite,
            keep_reads=keep_reads,
            moved=moved,
            rehash=rehash,
            retry=retry,
            ledger=ledger,
            person_key=_path(person_key),
            names=names,
        )

        def measured(done: int, record: FilmRecord | None) -> None:
            if progress is not None:
                steps.measuring(done, None if record is None else film_result(record, films.reported, proven))

        again = "the same command without --overwrite" if overwrite else "the same command"
        try:
            run = ArchiveRun(asked, folder, engine, measured, steps.writing, note)
        except RunStoppedError as error:
            raise _stopped(error, folder, 0, steps.total, again) from error
        opened.callback(run.close)
        try:
            finished = run.run()
        except (RunStoppedError, EngineError) as error:
            raise _stopped(error, folder, run.read_so_far, steps.total, again) from error
        except RunFolderError:
            raise
        except BaseException as error:
            note(
                f"Stopped. Rows so far lie in {folder.path} under names that end in .partial; {again} goes on "
                f"from there ({run.read_so_far} of {steps.total} films are measured)."
            )
            if names is not None and isinstance(error, Exception) and not isinstance(error, RaysplayError):
                # What it says, and where, may name a file.
                raise RunStoppedError(f"{folder.path}: the program failed ({type(error).__name__})") from None
            raise
        if accelerator is not None:
            _tell_of_accelerator(engine, note)
    return MeasuredRun(
        folder.path,
        finished.report,
        finished.wall_seconds,
        finished.values,
        proven,
        films.passed_over,
        tuple(notices),
    )


def _hidden(films: FilmsToMeasure, key: NameKey) -> FilmsToMeasure:
    """The same films under identifiers, and no folder named among what was passed over."""
    candidates = hidden(films.candidates, key)
    return replace(films, candidates=candidates, runs=("a folder among the films",) if films.runs else ())


def _refuse_named(films: FilmsToMeasure, folder: Path, key: NameKey) -> None:
    """Refuse what would bring names into the folder all the same.

    Raises
    ------
    NameKeyError
    """
    if any(films.protocol_file.absolute().is_relative_to(path) for path in films.inputs):
        raise NameKeyError(f"{films.protocol_file}: lies among the films, and run.json would say so; put it elsewhere")
    if os.path.lexists(folder / STORE):
        try:
            mark = read_summary(folder / ABOUT, output_settings().run)[0].name_key
        except RunError:
            mark = None
        if mark != key.mark:
            raise NameKeyError(
                f"{folder / STORE}: holds reads of a run that was not measured under this key, with the names of its "
                "films; choose another folder"
            )


def _engine(
    films: FilmsToMeasure,
    options: ReadingOptions,
    load: LoadsNetworks,
    overlays: bool,
    select: bool,
    workers: int | None,
    scheduler: str,
) -> Engine:
    """What reads the films: the networks in this process, or processes that load them by themselves."""
    from raysplay.infer.archive.job import Reading

    weights = _path(options.landmark_weights)
    if options.accelerator is not None:
        from raysplay.infer.archive.accelerated import Accelerated

        if scheduler:
            raise ValueError("an accelerator is of this machine; the workers of a scheduler read without")
        return Accelerated(options.accelerator, Reading(films.protocol_file, overlays, weights, select), workers)
    if workers is None and not scheduler and films.at_address:
        # A store that stalls must not hold the command: a reading process can be ended.
        workers = options.threads or os.cpu_count() or 1
    if workers is None and not scheduler:
        from raysplay.infer.archive.in_process import InProcess

        return InProcess(load(options.threads, weights), films, overlays=overlays, select=select)
    reading = Reading(films.protocol_file, overlays, weights, select)
    loader = f"{load.__module__}:{load.__qualname__}"
    if scheduler:
        from raysplay.infer.archive.cluster import Cluster

        return Cluster(scheduler, reading, loader)
    from raysplay.infer.archive.pool import Pool

    assert workers is not None
    return Pool(reading, workers, loader)


def _tell_of_accelerator(engine: Engine, note: Callable[[str], None]) -> None:
    from raysplay.infer.archive.accelerated import Accelerated

    if isinstance(engine, Accelerated) and (told := engine.told()):
        note(told)


def _stopped(error: RaysplayError, folder: RunFolder, films: int, of: int, again: str) -> RunStoppedError:
    """The same with what became of a run that could not be written any further."""
    from raysplay.infer.archive.ledger import Ledger

    if not Ledger.there(folder.path):
        kept = "What was read stands in the ledger that was there; without it, all films are to be read again."
    elif folder.replacing:
        kept = f"The folder holds no whole run now; {again} goes on."
    else:
        kept = (
            f"{films} of {of} films were measured and are kept; once that is mended, {again} goes on. Their "
            "rows lie there under names that end in .partial, as far as these could be written. An earlier run in the "
            "folder is as it was."
        )
    return RunStoppedError(f"{error}. {kept}")


def _loaded(steps: Steps, options: ReadingOptions, load: LoadsNetworks, opened: contextlib.ExitStack) -> ReadsFeet:
    steps.loading()
    if options.accelerator is None:
        return load(options.threads, options.landmark_weights)
    from raysplay.infer.accelerator.device import device_of
    from raysplay.infer.foot_reader import FootReader, usable_cores

    device_of(options.accelerator)  # says so where there is no torch
    from raysplay.infer.accelerator.in_this_process import InThisProcess

    weights = FootReader.weights_by_landmarks(_path(options.landmark_weights))
    seen_by = InThisProcess.on(options.accelerator, *weights, options.threads or usable_cores())
    opened.callback(seen_by.networks.close)
    return FootReader(*weights, accelerator=seen_by)


def _path(path: Path | str | None) -> Path | None:
    return None if path is None else Path(path)

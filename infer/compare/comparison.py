"""Compares a run, a finished one or one made for it, with a table of truth."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import typer
from rich.console import Console

from raysplay.configs.protocol import read_protocol
from raysplay.infer.command import run_measure
from raysplay.infer.compare.calibration_file import CALIBRATION, CalibrationError, calibrate_run
from raysplay.infer.compare.cautions import cautions
from raysplay.infer.compare.evaluation import Pairing, evaluate_pairs, pair_feet
from raysplay.infer.compare.report import FILES, print_report, write_report
from raysplay.infer.compare.run_tables import MeasuredArchive, read_run
from raysplay.infer.compare.settings import evaluation_settings
from raysplay.infer.compare.truth import Truth, on_films, read_truth_table, refuse_other_constructions
from raysplay.infer.compare.truth_choice import Choice
from raysplay.infer.compare.truth_use import TruthUse, print_truth_use, truth_use
from raysplay.infer.film_names import FilmNames
from raysplay.infer.films.collect import collect
from raysplay.infer.outputs.finished_run import RunError
from raysplay.infer.outputs.names import film_name
from raysplay.infer.reading_options import ReadingOptions
from raysplay.infer.reads_at_stake import holds_reads
from raysplay.infer.user_protocol import protocol_file


@dataclass(frozen=True)
class CompareOptions:
    """Options of ``raysplay evaluate FILMS TRUTH``.

    Attributes
    ----------
    choice : Choice
        Whose rows of the table are taken.
    skip_missing : bool
        Leave out rows whose film is not there; else they are an error.
    out : Path, optional
        Folder for tables and the run; without it the figures are only printed.
    overwrite : bool
        Replace an earlier evaluation in ``out``.
    reading : ReadingOptions
        How the films are read; the table must build measures as its protocol does.
    measured : Path, optional
        A finished run to take instead of measuring; its own protocol counts.
    calibrate : bool
        Also write interval factors into ``out``, which must be given then.
    level : float, optional
        Share of true values that these shall hold; that of ``decision.yaml`` by default.
    name_key : Path, optional
        Key under which the run has identifiers.
    """

    choice: Choice = field(default_factory=Choice)
    skip_missing: bool = False
    out: Path | None = None
    overwrite: bool = False
    reading: ReadingOptions = field(default_factory=ReadingOptions)
    measured: Path | None = None
    calibrate: bool = False
    level: float | None = None
    name_key: Path | None = None


def compare(films: Path, table: Path, options: CompareOptions) -> None:
    """Print how far a run of ``films`` is from the truth in ``table``, and write the figures into ``options.out``.

    All that can be wrong with the table comes out before a film is measured.

    Raises
    ------
    UserTableError
        If the table cannot be used.
    typer.BadParameter
        If anything else of the call cannot.
    """
    console, out = Console(), options.out
    settings = evaluation_settings()
    truth = read_truth_table(table, options.choice)
    if out is not None and not options.overwrite and any((out / name).exists() for name in FILES):
        raise typer.BadParameter(
            f"{out}: holds an earlier evaluation; choose another folder or pass --overwrite", param_hint="--out"
        )
    with ExitStack() as kept:
        if options.measured is not None:
            folder, run = options.measured, _read(options.measured)
            real = _real_names(folder, films, options.name_key)
            names = FilmNames(run.films, real)
            truth, use = _account(truth, names, run.constructions, options.skip_missing)
            print_truth_use(use, console)
        else:
            names = FilmNames(_film_names(films, out))
            truth, use = _account(truth, names, _constructions(options.reading.protocol), options.skip_missing)
            print_truth_use(use, console)
            scratch = out or Path(kept.enter_context(tempfile.TemporaryDirectory(prefix="raysplay-")))
            # A run that is thrown away leaves no key behind.
            key = None if out is not None else scratch / "persons.key"
            folder, run = _measured(films, scratch / "run", options, key)
            real = _real_names(folder, films, options.name_key)
            names = FilmNames(run.films, real)
            if real is not None:
                truth, use = _account(truth, names, run.constructions, options.skip_missing)
    if out is not None and (out / FILES[0]).exists():
        # What an earlier evaluation found belongs to another run or another table.
        for name in (*FILES, CALIBRATION):
            (out / name).unlink(missing_ok=True)
    copies = [foot for foot in truth.feet if run.is_copy(foot.film)]
    if copies:
        truth = truth.without(copies, "film is a copy of another one")
        use = truth_use(truth, names, run.constructions)
        console.print(f"  {len(copies)} feet not used: their film is a copy of another one", highlight=False)
    matched = pair_feet(run, truth.feet)
    result = evaluate_pairs(matched, run, settings)
    said = (*_other_folder(films, run, options.measured), *cautions(matched.pairs, run.constructions, settings))
    if out is not None:
        write_report(result, out, use=use, run=folder, cautions=said)
    print_report(result, console, said)
    if out is not None:
        console.print(f"Report: {out / FILES[1]}", highlight=False, soft_wrap=True)
        if options.calibrate:
            _calibrate(matched, run, options.level, out, console)


def _measured(
    films: Path, folder: Path, options: CompareOptions, person_key: Path | None
) -> tuple[Path, MeasuredArchive]:
    """A run of the films, made into ``folder``."""
    if lost := holds_reads(folder):
        raise typer.BadParameter(lost, param_hint="--out")
    run_measure(
        [films],
        folder,
        options.reading,
        overwrite=options.overwrite,
        overlays=options.out is not None,
        person_key=person_key,
        name_key=options.name_key,
        console=Console(stderr=True),
    )
    return folder, _read(folder)


def _calibrate(matched: Pairing, run: MeasuredArchive, level: float | None, out: Path, console: Console) -> None:
    try:
        file = calibrate_run(matched, run, level, out)
    except CalibrationError as error:
        raise typer.BadParameter(str(error), param_hint="--calibrate") from error
    console.print(f"Paste under interval in decision.yaml: {file}", highlight=False, soft_wrap=True)


def _account(
    truth: Truth, names: FilmNames, constructions: Mapping[str, str], skip_missing: bool
) -> tuple[Truth, TruthUse]:
    """The truth on these films, checked to be comparable, and what of its table is used."""
    truth = on_films(truth, names, skip_missing=skip_missing)
    refuse_other_constructions(truth, constructions)
    return truth, truth_use(truth, names, constructions)


def _real_names(folder: Path, films: Path, key: Path | None) -> Mapping[str, str] | None:
    """Identifiers of the films by their names; None for a run without a key."""
    if key is None:
        return None
    from raysplay.infer.review.command import open_run

    named = open_run(folder, key, films).named
    return None if named is None else named.names


def _read(folder: Path) -> MeasuredArchive:
    try:
        return read_run(folder)
    except RunError as error:
        raise typer.BadParameter(str(error), param_hint="--measured") from error


def _constructions(protocol: Path | str | None) -> dict[str, str]:
    """How a run by this protocol will build what it reports."""
    reported = read_protocol(protocol_file(protocol)).reported_measures()
    return {measure.name: measure.construction for measure in reported}


def _film_names(folder: Path, out: Path | None) -> list[str]:
    """Names of the films as a run of the folder will have them."""
    try:
        candidates = collect([folder]).candidates
    except FileNotFoundError as error:
        raise typer.BadParameter(str(error), param_hint="FILMS") from error
    outside = [one for one in candidates if out is None or out.absolute() not in one.path.absolute().parents]
    if not outside:
        raise typer.BadParameter(f"{folder}: there is no file to measure", param_hint="FILMS")
    return [film_name(one.name) for one in outside]


def _other_folder(films: Path, run: MeasuredArchive, measured: Path | None) -> list[str]:
    """A word where a finished run is not one of the folder that is named."""
    if measured is None or run.folder is None or films.resolve() == Path(run.folder).resolve():
        return []
    return [f"the run {measured} was made from {run.folder}, not from {films}; all figures are of that run."]

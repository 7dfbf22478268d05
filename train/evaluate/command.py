"""``raysplay evaluate``: compares what is measured with truth."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

import typer

_SUITE, _TRUTH = "Of --suite", "Of FILMS and TRUTH"


def evaluate(
    films: Annotated[
        Path | None, typer.Argument(metavar="FILMS", help="Folder of films; not with --suite.", show_default=False)
    ] = None,
    truth: Annotated[
        Path | None,
        typer.Argument(
            metavar="TRUTH",
            help="CSV: film (path below FILMS), foot (L, R or empty for none), angles by name (hva, ima, ...); "
            "may hold view (dp, oblique, lateral, other), x, y, width, height of the foot in pixels, and condition "
            "(what makes the foot unfit, or empty).",
            show_default=False,
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Folder for tables, plots and run/; needed by --suite."),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier evaluation.")] = False,
    threads: Annotated[int | None, typer.Option("--threads", min=1, help="Threads of the network.")] = None,
    landmark_weights: Annotated[
        Path | None,
        typer.Option(
            "--landmark-weights", metavar="FILE", help="Fine-tuned landmark network; the shipped one if left out."
        ),
    ] = None,
    measured: Annotated[
        Path | None,
        typer.Option(
            "--measured",
            metavar="RUN_DIR",
            help="Use this finished run instead of measuring again.",
            rich_help_panel=_TRUTH,
        ),
    ] = None,
    protocol: Annotated[
        Path | None,
        typer.Option(
            "--protocol",
            metavar="FILE",
            help="Measures to compare and how TRUTH builds them; see measure.",
            rich_help_panel=_TRUTH,
        ),
    ] = None,
    calibrate: Annotated[
        bool,
        typer.Option(
            "--calibrate",
            help="Also write DIR/calibration.yaml: factors for decision.yaml under which intervals hold their level.",
            rich_help_panel=_TRUTH,
        ),
    ] = False,
    level: Annotated[
        float | None,
        typer.Option(
            "--level",
            min=0.5,
            max=0.999,
            help="Share of true values that --calibrate shall hold; that of decision.yaml if left out.",
            rich_help_panel=_TRUTH,
        ),
    ] = None,
    suite: Annotated[
        bool,
        typer.Option(
            "--suite", help="Generate and measure a fixed list of conditions (suite.yaml).", rich_help_panel=_SUITE
        ),
    ] = False,
    n: Annotated[
        int | None,
        typer.Option("--n", min=1, help="Films a condition; that of suite.yaml if left out.", rich_help_panel=_SUITE),
    ] = None,
    seed: Annotated[
        int | None,
        typer.Option("--seed", min=0, help="Same seed, same films; that of suite.yaml.", rich_help_panel=_SUITE),
    ] = None,
    conditions: Annotated[
        str | None,
        typer.Option("--conditions", metavar="A,B", help="Only these conditions.", rich_help_panel=_SUITE),
    ] = None,
    archive: Annotated[
        list[str] | None,
        typer.Option(
            "--archive",
            metavar="NAME=DIR",
            help="Also this archive (films/, truth.csv), as a condition of suite.yaml that is not generated.",
            rich_help_panel=_SUITE,
        ),
    ] = None,
    real: Annotated[
        Path | None,
        typer.Option("--real", metavar="FOLDER", help="Also real films, without truth.", rich_help_panel=_SUITE),
    ] = None,
    listed: Annotated[
        Path | None,
        typer.Option(
            "--list",
            metavar="CSV",
            help="What the real films show: film (path below FOLDER), view, and conditions if known.",
            rich_help_panel=_SUITE,
        ),
    ] = None,
) -> None:
    """Compare what is measured on FILMS with TRUTH and print the errors, or run the whole suite of conditions."""
    if suite:
        _only(films=films, truth=truth, measured=measured, protocol=protocol, calibrate=calibrate, level=level)
        if out is None:
            raise typer.BadParameter("is needed", param_hint="--out")
        if (real is None) != (listed is None):
            raise typer.BadParameter("--real and --list go together", param_hint="--real")
        from raysplay.train.evaluate.suite_run import run_suite

        run_suite(
            out,
            films=n,
            seed=seed,
            names=conditions,
            archives=archive or (),
            real=real,
            listed=listed,
            overwrite=overwrite,
            threads=threads,
            landmark_weights=landmark_weights,
        )
        return
    _only(n=n, seed=seed, conditions=conditions, archive=archive, real=real, list=listed)
    if films is None or truth is None:
        raise typer.BadParameter("FILMS and TRUTH are needed, or --suite", param_hint="FILMS TRUTH")
    if measured is not None and protocol is not None:
        raise typer.BadParameter("a finished run keeps the protocol it was read by", param_hint="--protocol")
    if measured is not None and landmark_weights is not None:
        raise typer.BadParameter("a finished run keeps the weights it was read with", param_hint="--landmark-weights")
    if calibrate and out is None:
        raise typer.BadParameter("is needed by --calibrate", param_hint="--out")
    if level is not None and not calibrate:
        raise typer.BadParameter("only with --calibrate", param_hint="--level")
    _evaluate(films, truth, out, overwrite, threads, landmark_weights, measured, protocol, calibrate, level)


def _only(**others: object) -> None:
    """Refuse what belongs to the other way of evaluating."""
    for name, value in others.items():
        if value not in (None, False, []):
            hint = name.upper() if name in ("films", "truth") else f"--{name}"
            raise typer.BadParameter("does not go with this way of evaluating; see --suite", param_hint=hint)


def _evaluate(
    films: Path,
    truth: Path,
    out: Path | None,
    overwrite: bool,
    threads: int | None,
    landmark_weights: Path | None,
    measured: Path | None,
    protocol: Path | None,
    calibrate: bool,
    level: float | None,
) -> None:
    from rich.console import Console

    from raysplay.train.evaluate.config import evaluation_settings
    from raysplay.train.evaluate.evaluation import evaluate_pairs, pair_feet
    from raysplay.train.evaluate.report import print_report, write_report
    from raysplay.train.evaluate.run_tables import RunTablesError, read_run
    from raysplay.train.evaluate.truth import TruthError, read_truth

    settings = evaluation_settings()
    try:
        known = read_truth(truth)
    except TruthError as error:
        raise typer.BadParameter(str(error), param_hint="TRUTH") from error
    if out is not None and not overwrite and (out / "evaluation.json").exists():
        raise typer.BadParameter(
            f"{out}: holds an earlier evaluation; choose another folder or pass --overwrite",
            param_hint="--out",
        )
    with tempfile.TemporaryDirectory(prefix="raysplay-") as scratch:
        folder = measured
        if folder is None:
            from raysplay.infer.command import run_measure

            folder = (out if out is not None else Path(scratch)) / "run"
            run_measure(
                [films],
                folder,
                overwrite=overwrite,
                overlays=out is not None,
                threads=threads,
                landmark_weights=landmark_weights,
                protocol=protocol,
                console=Console(stderr=True),
            )
        try:
            run = read_run(folder)
        except RunTablesError as error:
            raise typer.BadParameter(str(error), param_hint="--measured") from error
    matched = pair_feet(run, known)
    result = evaluate_pairs(matched, run, settings)
    console = Console()
    print_report(result, console)
    if out is None:
        return
    write_report(result, out)
    console.print(f"Report: {out / 'evaluation.csv'}", highlight=False, soft_wrap=True)
    if calibrate:
        from raysplay.train.evaluate.calibration_file import CalibrationError, calibrate_run

        try:
            file = calibrate_run(matched, run, level, out)
        except CalibrationError as error:
            raise typer.BadParameter(str(error), param_hint="--calibrate") from error
        console.print(f"Paste under interval in decision.yaml: {file}", highlight=False, soft_wrap=True)

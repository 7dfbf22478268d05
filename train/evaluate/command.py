"""``raysplay evaluate``: compares what is measured with truth."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

import typer


def evaluate(
    films: Annotated[Path, typer.Argument(metavar="FILMS", help="Folder of films.")],
    truth: Annotated[
        Path,
        typer.Argument(
            metavar="TRUTH",
            help="CSV: film (path below FILMS), foot (L, R or empty for none), angles by name (hva, ima, ...); "
            "may hold view (dp, oblique, lateral, other) and x, y, width, height of the foot in pixels.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Folder for evaluation.json, evaluation.csv, run/."),
    ] = None,
    measured: Annotated[
        Path | None,
        typer.Option("--measured", metavar="RUN_DIR", help="Use this finished run instead of measuring again."),
    ] = None,
    protocol: Annotated[
        Path | None,
        typer.Option("--protocol", metavar="FILE", help="Measures to compare and how TRUTH builds them; see measure."),
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier evaluation.")] = False,
    threads: Annotated[int | None, typer.Option("--threads", min=1, help="Threads of the network.")] = None,
) -> None:
    """Compare what is measured on FILMS with TRUTH, and print the errors."""
    from rich.console import Console

    from raysplay.train.evaluate.config import evaluation_settings
    from raysplay.train.evaluate.evaluation import evaluate_run
    from raysplay.train.evaluate.report import print_report, write_report
    from raysplay.train.evaluate.run_tables import RunTablesError, read_run
    from raysplay.train.evaluate.truth import TruthError, read_truth

    if measured is not None and protocol is not None:
        raise typer.BadParameter("a finished run keeps the protocol it was read by", param_hint="--protocol")
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
        run = measured
        if run is None:
            from raysplay.infer.command import run_measure

            run = (out if out is not None else Path(scratch)) / "run"
            run_measure(
                [films],
                run,
                overwrite=overwrite,
                overlays=out is not None,
                threads=threads,
                protocol=protocol,
                console=Console(stderr=True),
            )
        try:
            result = evaluate_run(read_run(run), known, settings)
        except RunTablesError as error:
            raise typer.BadParameter(str(error), param_hint="--measured") from error
    console = Console()
    print_report(result, console)
    if out is not None:
        write_report(result, out)
        console.print(f"Report: {out / 'evaluation.csv'}", highlight=False, soft_wrap=True)

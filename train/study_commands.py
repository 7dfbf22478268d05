"""``raysplay shape-gap`` and ``finetune-study``: what the networks do not know yet, and what own films would buy."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def shape_gap(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Finished run on films of people.")],
    archive: Annotated[Path, typer.Argument(metavar="ARCHIVE", help="Generated films with truth (synthesize).")],
    rows: Annotated[int, typer.Option("--rows", min=1, help="Rows to print.")] = 30,
) -> None:
    """Print where feet read on films of people differ most from generated ones."""
    from raysplay.infer.outputs.finished_run import RunError
    from raysplay.infer.user_table import UserTableError
    from raysplay.train.shape_gap import report

    try:
        report(run, archive, rows)
    except UserTableError as error:
        raise typer.BadParameter(str(error), param_hint="ARCHIVE") from error
    except RunError as error:
        raise typer.BadParameter(str(error), param_hint="RUN") from error


def finetune_study(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for tables and weights.")],
    weights: Annotated[
        Path | None,
        typer.Option("--weights", metavar="FILE", help="Landmark weights to start from; the shipped ones if left out."),
    ] = None,
    shift: Annotated[
        str,
        typer.Option("--shift", metavar="NAME", help="Which generator of finetune_shifts.yaml; none: the shipped one."),
    ] = "bones",
    steps: Annotated[int, typer.Option("--steps", min=1, help="Training steps each time.")] = 400,
    batch: Annotated[int, typer.Option("--batch", min=1, help="Crops in a step.")] = 32,
    feed_workers: Annotated[int, typer.Option("--feed-workers", min=0, help="As in a training configuration.")] = 2,
    films: Annotated[
        list[int] | None,
        typer.Option("--films", min=0, help="Number of own films, as often as wanted; 0, 10, 30, 100 if left out."),
    ] = None,
    repeats: Annotated[
        int | None, typer.Option("--repeats", min=1, help="Sets of films for each number; 2 if left out.")
    ] = None,
    toe_turn: Annotated[
        float, typer.Option("--toe-turn", help="Degrees by which the clinic marks the great toe otherwise.")
    ] = 0.0,
) -> None:
    """Fine-tune on films of a generator with other bones and print what how many own films buy (GPU)."""
    from raysplay.train.finetune.study import StudyPlan, known_generators, report

    generators = known_generators()
    if shift not in generators:
        raise typer.BadParameter(f"{shift}: no such generator; known are {', '.join(generators)}", param_hint="--shift")
    plan = StudyPlan(tuple(films or StudyPlan.counts), repeats or StudyPlan.repeats, toe_turn=toe_turn)
    report(out, generators[shift], plan, weights, steps=steps, batch=batch, feed_workers=feed_workers)

"""``raysplay agreement-plan``: films and readers for a study of agreement."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from raysplay.infer.agreement.planned import PlannedStudy


def agreement_plan(
    limits: Annotated[
        float | None, typer.Option("--limits", metavar="HALF", help="Limits of agreement known to within this.")
    ] = None,
    bound: Annotated[
        float | None, typer.Option("--bound", metavar="SIZE", help="Limits of agreement shown to lie within this.")
    ] = None,
    width: Annotated[
        float | None, typer.Option("--width", metavar="WIDTH", help="Width of the interval of the correlation, 0 to 1.")
    ] = None,
    sd: Annotated[
        float | None, typer.Option("--sd", metavar="SD", help="Expected standard deviation of the differences.")
    ] = None,
    bias: Annotated[float, typer.Option("--bias", metavar="BIAS", help="Expected mean difference.")] = 0.0,
    power: Annotated[float, typer.Option("--power", metavar="P", help="Of a study that shows the bound.")] = 0.8,
    correlation: Annotated[
        float | None, typer.Option("--correlation", metavar="R", help="Expected intraclass correlation.")
    ] = None,
    readers: Annotated[str, typer.Option("--readers", metavar="N,N", help="Numbers of readers to weigh.")] = "2,3,4,5",
    reader_share: Annotated[
        float,
        typer.Option("--reader-share", metavar="SHARE", help="Share of the error that is constant between readers."),
    ] = 0.0,
    feet: Annotated[float, typer.Option("--feet", metavar="N", help="Feet that a person gives.")] = 1.0,
    alike: Annotated[
        float, typer.Option("--alike", metavar="R", help="Correlation of the differences of one person's feet.")
    ] = 0.0,
    level: Annotated[float, typer.Option("--level", metavar="P", help="Of the intervals.")] = 0.95,
    out: Annotated[Path | None, typer.Option("--out", metavar="FILE", help="Also as a table (CSV).")] = None,
) -> None:
    """How many films and readers a study of agreement needs, by formula and by simulation."""
    from raysplay.infer.agreement.planned import Feet, of_bound, of_correlation, of_limits, plan_lines

    persons = Feet(feet, alike)

    def studies() -> Iterator[PlannedStudy]:
        _ = persons.effect  # refuses what cannot be before anything is drawn
        if limits is not None:
            yield of_limits(limits, _needed(sd, "--sd", "--limits"), level, persons)
        if bound is not None:
            yield of_bound(bound, _needed(sd, "--sd", "--bound"), bias, power, level, persons)
        if width is not None:
            expected = _needed(correlation, "--correlation", "--width")
            yield from of_correlation(expected, width, _whole(readers), reader_share, level, persons)

    if limits is None and bound is None and width is None:
        raise typer.BadParameter("say what is wanted: --limits, --bound or --width")
    if out is not None and out.exists():
        raise typer.BadParameter(f"{out}: is there already; choose another name", param_hint="--out")
    try:
        found = list(studies())
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    for line in plan_lines(found):
        typer.echo(line)
    typer.echo("What is expected is a guess from other studies: plan with the worse of what is plausible.")
    if out is not None:
        _write(out, found)


def _write(out: Path, found: Sequence[PlannedStudy]) -> None:
    from raysplay.infer.agreement.planned import PLAN_COLUMNS

    try:
        with out.open("x", encoding="utf-8", newline="") as stream:
            writer = csv.writer(stream)
            writer.writerow(PLAN_COLUMNS)
            writer.writerows(one.row() for one in found)
    except OSError as error:
        raise typer.BadParameter(f"{out}: cannot be written ({error.strerror})", param_hint="--out") from error


def _needed(value: float | None, option: str, for_what: str) -> float:
    if value is None:
        raise typer.BadParameter(f"{for_what} needs {option}", param_hint=option)
    return value


def _whole(text: str) -> tuple[int, ...]:
    parts = [one.strip() for one in text.split(",") if one.strip()]
    if not parts or not all(one.isdecimal() for one in parts):
        raise typer.BadParameter(f"{text}: expected are whole numbers such as 2,3,4", param_hint="--readers")
    return tuple(int(one) for one in parts)

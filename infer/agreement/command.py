"""``raysplay agreement``: the tool against readers, and readers among themselves."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

from raysplay.infer.command import CAUTION
from raysplay.infer.command_options import out_option, overwrite_option, study_option

_NAMED = 20
"""Rows and slips that the screen lists; the rest is counted."""


def agreement(
    paths: Annotated[
        list[Path],
        typer.Argument(
            metavar="[RUN] READS...",
            help="Folder of a finished run, which may be left out, then tables of reads: CSV, a workbook (.xlsx), or "
            "the folder of an export.",
            show_default=False,
        ),
    ],
    out: Annotated[Path, out_option("report, figures and plots")],
    column: Annotated[
        list[str] | None,
        typer.Option("--column", metavar="WHAT=NAME", help="Which column is film, foot, reader, session, ..."),
    ] = None,
    ignore: Annotated[str, typer.Option("--ignore", metavar="A,B", help="Columns to leave out.")] = "",
    measure: Annotated[
        str | None,
        typer.Option("--measure", metavar="NAME", help="What the numbers are, where a table has a column a reader."),
    ] = None,
    sheet: Annotated[str | None, typer.Option("--sheet", metavar="NAME", help="Sheet of a workbook.")] = None,
    study: Annotated[str | None, study_option()] = None,
    grades: Annotated[
        str | None, typer.Option("--grades", metavar="SCHEME", help="Published scheme of configs/grades.yaml.")
    ] = None,
    margin: Annotated[
        list[str] | None,
        typer.Option(
            "--margin",
            metavar="MEASURE=VALUE",
            help="Margin within which the tool counts as interchangeable with a reader; state it before you look.",
        ),
    ] = None,
    threshold: Annotated[
        list[str] | None,
        typer.Option("--threshold", metavar="MEASURE=VALUE", help="Sensitivity and specificity at this value."),
    ] = None,
    bound: Annotated[
        list[str] | None,
        typer.Option(
            "--bound",
            metavar="MEASURE=VALUE",
            help="Mean absolute error that may stay: how many feet must a person see?",
        ),
    ] = None,
    go_on: Annotated[
        bool,
        typer.Option("--go-on", help="Go on though the tables hold what looks like slips; the report names them."),
    ] = False,
    overwrite: Annotated[bool, overwrite_option("agreement")] = False,
) -> None:
    """Compare a run with manual reads, and readers with each other: figures, plots and a report."""
    from raysplay.infer.agreement.compared import AgreementOptions, AgreementStoppedError, agreement_of
    from raysplay.infer.agreement.output_folder import OutputFolderError, check_folder
    from raysplay.infer.agreement.reads import ReadOptions
    from raysplay.infer.agreement.written import FIGURES, PAPER, REPORT, write_agreement
    from raysplay.infer.outputs.finished_run import RunError
    from raysplay.infer.user_table import UserTableError

    run, reads = _run_and_reads(paths)
    try:
        check_folder(out, overwrite=overwrite)
        named = dict(_pair(one, "--column") for one in column or ())
        options = AgreementOptions(
            ReadOptions(sheet, named, tuple(ignore.split(",")) if ignore else (), measure, study),
            grades,
            dict(_number(one, "--margin") for one in margin or ()),
            dict(_number(one, "--threshold") for one in threshold or ()),
            dict(_number(one, "--bound") for one in bound or ()),
            go_on,
            command=shlex.join(["raysplay", *sys.argv[1:]]),
            processes=2,
        )
        found = agreement_of(run, reads, options, say=lambda line: typer.echo(line))
        write_agreement(found, out, overwrite=overwrite)
    except OutputFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error
    except RunError as error:
        raise typer.BadParameter(str(error), param_hint="RUN") from error
    except UserTableError as error:
        raise typer.BadParameter(str(error), param_hint="READS") from error
    except AgreementStoppedError as stopped:
        for line in _listed(stopped.said):
            typer.echo(f"Error: {line}", err=True)
        typer.echo(
            "Nothing was written. Put the tables right; or, if they are right, add --go-on: then cells that cannot be "
            "used are left out and listed in not_used.csv, all else is taken as it stands, and the report names it.",
            err=True,
        )
        raise typer.Exit(2) from stopped
    for caution in found.cautions:
        typer.echo(f"Caution: {caution}")
    for name in (REPORT, PAPER, FIGURES):
        typer.echo(str(out / name))
    typer.echo(CAUTION)


def _run_and_reads(paths: Sequence[Path]) -> tuple[Path | None, list[Path]]:
    """The folder of a run, if the first path is one, and the tables."""
    first, *rest = paths
    if (first / "run.json").exists() or (first.is_dir() and not (first / "reads.csv").exists()):
        if not rest:
            raise typer.BadParameter("no table of reads is given", param_hint="READS")
        return first, rest
    return None, [first, *rest]


def _pair(text: str, option: str) -> tuple[str, str]:
    name, sign, value = text.partition("=")
    if not sign or not name.strip() or not value.strip():
        form = "WHAT=NAME" if option == "--column" else "MEASURE=VALUE"
        raise typer.BadParameter(f"{text}: expected is {form}", param_hint=option)
    return name.strip().lower(), value.strip()


def _number(text: str, option: str) -> tuple[str, float]:
    from raysplay.infer.agreement.columns import known_measure
    from raysplay.infer.user_table import UserTableError, as_number

    name, said = _pair(text, option)
    value = as_number(said)
    if value is None or (option != "--threshold" and value <= 0):
        raise typer.BadParameter(
            f"{said} is no {'positive ' if option != '--threshold' else ''}number", param_hint=option
        )
    try:
        return known_measure(name), value
    except UserTableError as error:
        raise typer.BadParameter(str(error), param_hint=option) from error


def _listed(said: Sequence[str]) -> list[str]:
    more = len(said) - _NAMED
    return [*said[:_NAMED], *([f"and {more} more"] if more > 0 else [])]

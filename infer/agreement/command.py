"""``raysplay agreement``: the tool against readers, and readers among themselves."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from raysplay.infer.command import CAUTION
from raysplay.infer.command_options import FilmsFolder, NameKey, out_option, overwrite_option, study_option

if TYPE_CHECKING:
    from raysplay.infer.agreement.compared import AgreementOptions


class HiddenChoice(StrEnum):
    """What becomes of hidden rows and columns of a workbook."""

    USE = "use"
    LEAVE_OUT = "leave_out"


_NAMED = 20
"""Rows and slips that the screen lists; the rest is counted."""


Pairs = list[str] | None

Paths = Annotated[
    list[Path],
    typer.Argument(
        metavar="[RUN] READS...",
        help="Folder of a finished run, which may be left out, then tables of reads: CSV, a workbook (.xlsx), or "
        "the folder of an export.",
        show_default=False,
    ),
]
Out = Annotated[Path, out_option("report, figures and plots")]
Column = Annotated[
    Pairs, typer.Option("--column", metavar="WHAT=NAME", help="Which column is film, foot, reader, session, ...")
]
Ignore = Annotated[str, typer.Option("--ignore", metavar="A,B", help="Columns to leave out.")]
OneMeasure = Annotated[
    str | None,
    typer.Option("--measure", metavar="NAME", help="What the numbers are, where a table has a column a reader."),
]
SheetName = Annotated[str | None, typer.Option("--sheet", metavar="NAME", help="Sheet of a workbook.")]
Hidden = Annotated[
    HiddenChoice | None,
    typer.Option("--hidden", help="Hidden rows and columns of a workbook: use them, or leave them out?"),
]
Repeats = Annotated[
    Path | None,
    typer.Option(
        "--repeats",
        metavar="FILE",
        help="Which films are of feet that stood again: a table with the columns film and repeat_of.",
    ),
]
Study = Annotated[str | None, study_option()]
Grades = Annotated[
    str | None, typer.Option("--grades", metavar="SCHEME", help="Published scheme of configs/grades.yaml.")
]
Margin = Annotated[
    Pairs,
    typer.Option(
        "--margin",
        metavar="MEASURE=VALUE",
        help="Margin within which the tool counts as interchangeable with a reader; state it before you look.",
    ),
]
Threshold = Annotated[
    Pairs,
    typer.Option("--threshold", metavar="MEASURE=VALUE", help="Sensitivity and specificity at this value."),
]
Bound = Annotated[
    Pairs,
    typer.Option(
        "--bound", metavar="MEASURE=VALUE", help="Mean absolute error that may stay: how many feet must a person see?"
    ),
]
PlanLimits = Annotated[
    Pairs,
    typer.Option(
        "--plan-limits", metavar="MEASURE=HALF", help="Films of a next study for limits known to within this."
    ),
]
PlanWidth = Annotated[
    Pairs,
    typer.Option(
        "--plan-width", metavar="MEASURE=WIDTH", help="Films and readers for an intraclass correlation so well known."
    ),
]
GoOn = Annotated[
    bool, typer.Option("--go-on", help="Go on though the tables hold what looks like slips; the report names them.")
]
Overwrite = Annotated[bool, overwrite_option("agreement")]


def agreement(
    paths: Paths,
    out: Out,
    column: Column = None,
    ignore: Ignore = "",
    measure: OneMeasure = None,
    sheet: SheetName = None,
    hidden: Hidden = None,
    repeats: Repeats = None,
    study: Study = None,
    grades: Grades = None,
    margin: Margin = None,
    threshold: Threshold = None,
    bound: Bound = None,
    plan_limits: PlanLimits = None,
    plan_width: PlanWidth = None,
    go_on: GoOn = False,
    name_key: NameKey = None,
    films: FilmsFolder = None,
    overwrite: Overwrite = False,
) -> None:
    """Compare a run with manual reads, and readers with each other: figures, plots and a report."""
    from raysplay.infer.agreement.compared import AgreementOptions
    from raysplay.infer.agreement.reads import ReadOptions

    def numbers(given: Pairs, option: str) -> dict[str, float]:
        return dict(_number(one, option) for one in given or ())

    run, reads = _run_and_reads(paths)
    if name_key is not None and (run is None or films is None):
        raise typer.BadParameter("needs a run, and --films", param_hint="--name-key")
    reading = ReadOptions(
        sheet,
        dict(_pair(one, "--column") for one in column or ()),
        tuple(ignore.split(",")) if ignore else (),
        measure,
        study,
        None if hidden is None else hidden.value,
        repeats,
    )
    options = AgreementOptions(
        reading,
        grades,
        numbers(margin, "--margin"),
        numbers(threshold, "--threshold"),
        numbers(bound, "--bound"),
        numbers(plan_limits, "--plan-limits"),
        numbers(plan_width, "--plan-width"),
        go_on,
        command=shlex.join(["raysplay", *sys.argv[1:]]),
        name_key=name_key,
        films=films,
        processes=2,
    )
    _compare(run, reads, options, out, overwrite=overwrite)


def _compare(run: Path | None, reads: Sequence[Path], options: AgreementOptions, out: Path, *, overwrite: bool) -> None:
    """Compare, write, and say what came of it; whatever cannot be used ends with status 2 and nothing written."""
    from raysplay.infer.agreement.compared import AgreementStoppedError, agreement_of
    from raysplay.infer.agreement.output_folder import OutputFolderError, check_folder
    from raysplay.infer.agreement.written import FIGURES, PAPER, REPORT, write_agreement
    from raysplay.infer.named_films import NamesHiddenError
    from raysplay.infer.outputs.finished_run import RunError
    from raysplay.infer.outputs.name_key import NameKeyError
    from raysplay.infer.user_table import UserTableError

    try:
        check_folder(out, overwrite=overwrite)
        found = agreement_of(run, reads, options, say=lambda line: typer.echo(line))
        write_agreement(found, out, overwrite=overwrite)
    except OutputFolderError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error
    except (NameKeyError, NamesHiddenError) as error:
        raise typer.BadParameter(str(error), param_hint="--name-key") from error
    except FileNotFoundError as error:
        raise typer.BadParameter(str(error), param_hint="--films") from error
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

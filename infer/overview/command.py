"""``raysplay report``: a finished run on one page, alone or against an earlier one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def report(
    run: Annotated[Path, typer.Argument(metavar="RUN", help="Folder that `raysplay measure --out` names.")],
    against: Annotated[
        Path | None, typer.Option("--against", metavar="RUN2", help="Folder of an earlier run to compare with.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="The page; report.html in RUN if left out.")
    ] = None,
    ledger: Annotated[
        str, typer.Option("--ledger", metavar="URL", help="Address of the run's ledger, if it needs a password.")
    ] = "",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace an earlier report of that name.")] = False,
) -> None:
    """Write one page on a run: counts, flow of files, distributions, drift against an earlier run, time."""
    from raysplay.infer.command import CAUTION
    from raysplay.infer.outputs.run_files import REPORT
    from raysplay.infer.overview.run_overview import overview
    from raysplay.infer.overview.written import ReportFileError, check_free

    try:
        check_free(run / REPORT if out is None else out, overwrite=overwrite)
        made = overview(run, against=against, ledger=ledger)
        place = made.write(out, overwrite=overwrite)
    except ReportFileError as error:
        raise typer.BadParameter(str(error), param_hint="--out") from error
    if made.drift is not None and made.drift.read_otherwise:
        typer.echo(f"The two runs were not read alike: {'; '.join(made.drift.read_otherwise)}", err=True)
    typer.echo(f"Report: {place}")
    typer.echo(CAUTION)

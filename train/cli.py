"""The ``raysplay`` command."""

from __future__ import annotations

import importlib.metadata
import io
import sys
from typing import Annotated, Any

import typer
import typer.core

from raysplay.configs.load import ConfigError
from raysplay.infer.command import measure
from raysplay.infer.measures_command import measures
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.review.command import review
from raysplay.infer.review.export_command import export
from raysplay.synthetic_data.command import demo_archive, synthesize
from raysplay.train.evaluate_command import evaluate
from raysplay.train.train_command import train


class _Commands(typer.core.TyperGroup):
    """Commands that end a wrong configuration or weights file with one line and status 2."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except (ConfigError, WeightsError) as error:
            typer.echo(f"Error: {' '.join(str(error).split())}", err=True)
            raise typer.Exit(2) from error


app = typer.Typer(
    cls=_Commands,
    name="raysplay",
    help="Hallux valgus geometry from weight-bearing dorsoplantar foot films. "
    "A person confirms every number used in care.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
for command in (measure, measures, review, export, evaluate, synthesize, train):
    app.command()(command)
app.command(hidden=True)(demo_archive)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"raysplay {importlib.metadata.version('raysplay')}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Options of the command itself."""
    # Names of files need not be text, but what is said of them must come out.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def main() -> None:
    """Entry point of the console script."""
    app()

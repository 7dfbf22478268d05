"""The ``raysplay`` command, and the subcommands that stand on this floor."""

from __future__ import annotations

import importlib.metadata
import io
import sys
from typing import Annotated, Any

import typer
import typer.core
import typer.main

from raysplay.configs.errors import RaysplayError
from raysplay.configs.subcommand import Subcommand
from raysplay.infer.cli import COMMANDS as OF_INFER
from raysplay.synthetic_data.cli import COMMANDS as OF_SYNTHETIC_DATA

COMMANDS = (
    Subcommand(
        "evaluate",
        "raysplay.train.evaluate_command",
        "evaluate",
        "Compare what is measured on FILMS with TRUTH and print the errors, or run the whole suite of conditions.",
    ),
    Subcommand(
        "train",
        "raysplay.train.train_command",
        "train",
        "Train a network on generated films, and on own ones with train_finetune.yaml.",
    ),
    Subcommand(
        "shape-gap",
        "raysplay.train.study_commands",
        "shape_gap",
        "Print where feet read on films of people differ most from generated ones.",
    ),
    Subcommand(
        "finetune-study",
        "raysplay.train.study_commands",
        "finetune_study",
        "Fine-tune on films of a generator with other bones and print what how many own films buy (GPU).",
    ),
)
"""In the order of ``raysplay --help``."""

ALL_COMMANDS = {one.name: one for one in (*OF_INFER, *OF_SYNTHETIC_DATA, *COMMANDS)}
"""Every subcommand of ``raysplay`` by its name."""


class _Commands(typer.core.TyperGroup):
    """All subcommands: listed by what is declared of them, imported where they are called.

    A wrong configuration or weights file, or a library that is not installed, ends them with one line and status 2.
    """

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        for one in ALL_COMMANDS.values():
            self.add_command(typer.core.TyperCommand(one.name, help=one.help, hidden=one.hidden))

    def resolve_command(self, ctx: Any, args: list[str]) -> tuple[str | None, Any, list[str]]:
        name, listed, rest = super().resolve_command(ctx, args)
        return name, _loaded(ALL_COMMANDS[listed.name]) if listed is not None and listed.name else listed, rest

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except RaysplayError as error:
            typer.echo(f"Error: {' '.join(str(error).split())}", err=True)
            raise typer.Exit(error.exit_status) from error
        except ModuleNotFoundError as error:
            missing = (error.name or "").partition(".")[0]
            if missing in ("", "raysplay"):
                raise
            typer.echo(
                f"Error: the library {missing} is missing. Install raysplay with all that it needs: '.[pinned]', for "
                "raysplay train '.[pinned,train]'",
                err=True,
            )
            raise typer.Exit(2) from error


def _loaded(command: Subcommand) -> Any:
    """The subcommand with its options, its module imported."""
    alone = typer.Typer(add_completion=False, pretty_exceptions_enable=False)
    alone.command(command.name, hidden=command.hidden)(command.load())
    return typer.main.get_command(alone)


app = typer.Typer(
    cls=_Commands,
    name="raysplay",
    help="Hallux valgus geometry from weight-bearing dorsoplantar foot films. "
    "A person confirms every number used in care.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)


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

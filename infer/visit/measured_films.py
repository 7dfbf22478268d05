"""Films of a visit, measured as ``raysplay measure`` does into a run that is kept beside the reports."""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Sequence
from pathlib import Path

import typer
from rich.console import Console
from sqlalchemy.exc import ArgumentError

from raysplay.infer.archive.archive_run import command_to_tell
from raysplay.infer.command import measure_with_bar
from raysplay.infer.films.address import address_of, is_address
from raysplay.infer.films_to_measure import NoFilmsError
from raysplay.infer.outputs.name_key import NameKeyError
from raysplay.infer.outputs.run_folder import RunFolderError
from raysplay.infer.reading_options import ReadingOptions
from raysplay.infer.records import OUTCOMES

RUN = "run"
"""Folder of the run, in that of the reports."""


def measured_films(
    paths: Sequence[Path], out: Path, weights: Path | None, name_key: Path | None, store: str | None
) -> Path:
    """Measure films, or go on where an earlier call was stopped or finished; the folder of the run.

    An earlier run is never begun anew from here: whatever reads it holds, and however its films were read, it stays.

    Parameters
    ----------
    paths : sequence of Path
    out : Path
        Folder of the reports; the run lies in it.
    weights, name_key : Path or None
        As ``raysplay measure`` takes them.
    store : str or None
        Address of the reads, whose password must not come into the record of the run.

    Raises
    ------
    typer.BadParameter
        If nothing can be measured, or the folder holds another run; the message says what can be done.
    typer.Exit
        If the folder could not be written any more; what is kept was said.
    """
    run, console = out / RUN, Console(stderr=True)
    for path in paths:
        if _lies_in(out, path):
            said = f"{out}: lies among the films of {path}, and reports would be taken for films; choose another folder"
            raise typer.BadParameter(said, param_hint="--out")
    try:
        done = measure_with_bar(
            paths,
            run,
            ReadingOptions(landmark_weights=weights),
            console,
            _command(store),
            name_key=name_key,
        )
    except NoFilmsError as error:
        # What is said of an address names it as far as it holds no password.
        named = "" if any(is_address(path) for path in paths) else f"{shlex.join(map(str, paths))}: "
        raise typer.BadParameter(f"{named}{error}", param_hint="FILMS") from error
    except NameKeyError as error:
        raise typer.BadParameter(str(error), param_hint="--name-key") from error
    except RunFolderError as error:
        by_itself = _by_itself(paths, run, weights, name_key)
        raise typer.BadParameter(f"{error}{_whose_options(str(error), by_itself)}", param_hint="--out") from error
    counts = ", ".join(f"{name} {done.report.decisions.get(name, 0)}" for name in OUTCOMES)
    console.print(f"{done.report.films} films, {done.report.feet} feet: {counts}.", highlight=False, soft_wrap=True)
    for said in done.passed_over:
        console.print(f"{said[0].upper()}{said[1:]}", highlight=False, soft_wrap=True)
    return run


def _command(store: str | None) -> list[str]:
    try:
        return command_to_tell(sys.argv, store or "")
    except ArgumentError:
        said = "the store's address cannot be used: it is not whole"
        raise typer.BadParameter(said, param_hint="--store") from None


def _lies_in(out: Path, given: Path) -> bool:
    """Whether a folder is, or lies in, one that was given, by whatever links."""
    if is_address(given) or not os.path.isdir(given):
        return False
    return Path(os.path.realpath(out)).is_relative_to(os.path.realpath(given))


def _by_itself(paths: Sequence[Path], run: Path, weights: Path | None, name_key: Path | None) -> str:
    """The call that measures the same films into the same folder."""
    films = [address_of(path) if is_address(path) else str(path) for path in paths]
    words = ["raysplay", "measure", *films, "--out", str(run)]
    for option, value in (("--landmark-weights", weights), ("--name-key", name_key)):
        words += [option, str(value)] if value is not None else []
    return shlex.join(words)


def _whose_options(said: str, by_itself: str) -> str:
    """That an error speaks of options of ``raysplay measure``, which are not those of ``raysplay visit``."""
    if "--keep-reads" in said:
        return f". That is an option of {by_itself}"
    if "--overwrite" in said:
        return (
            f". That is an option of the run alone, and with --keep-reads what people settled stays where film, side "
            f"and points are the same: {by_itself} --overwrite --keep-reads. Here --overwrite replaces reports, never "
            "the run"
        )
    return ""

"""What ``raysplay visit`` was given: the folder of a finished run, or films."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from raysplay.configs.errors import RaysplayError
from raysplay.infer.films.address import is_address
from raysplay.infer.films.collect import not_there
from raysplay.infer.films.opening import open_regular
from raysplay.infer.films.sniff import HEAD_BYTES, describe_other, sniff
from raysplay.infer.films.zipped import is_zip
from raysplay.infer.outputs.earlier_run import written_by_run
from raysplay.infer.outputs.run_files import ABOUT


class GivenError(RaysplayError, ValueError):
    """What is neither one finished run nor films; the message names it and says why."""


def run_given(paths: Sequence[Path]) -> Path | None:
    """The run that was given; None where films were.

    A folder is a run where it holds the record of a finished one (``run.json``), and nothing else makes it one: a
    folder of films may hold anything, runs in folders below it among them.

    Parameters
    ----------
    paths : sequence of Path
        At least one.

    Raises
    ------
    GivenError
        If a path leads nowhere, a folder holds a run that was not finished, a run was given with anything else, or
        files alone were given of which none is of a kind that holds films.
    """
    runs = []
    for path in paths:
        if is_address(path):
            continue
        if not os.path.lexists(path):
            raise GivenError(not_there(path))
        written = written_by_run(path, pictures=False) if path.is_dir() else frozenset()
        if written and not os.path.lexists(path / ABOUT):
            raise GivenError(
                f"{path}: holds a run that was not finished. Call the command again that began it; or name the films"
            )
        if path / ABOUT in written:
            runs.append(path)
    if runs and len(paths) > 1:
        raise GivenError(f"{runs[0]}: is a finished run; give one run by itself, or films without a run")
    if not runs and (why := [_no_film(path) for path in paths]) and all(why):
        raise GivenError(f"{paths[0]}: neither the folder of a finished run nor a film ({why[0]})")
    return runs[0] if runs else None


def _no_film(path: Path) -> str:
    """Why nothing can come of a path, in words; empty for folders, addresses, and what may hold a film."""
    if is_address(path) or path.is_dir():
        return ""
    try:
        with open_regular(path) as stream:
            head = stream.read(HEAD_BYTES)
    except OSError:
        return ""  # its row says why
    return "" if sniff(head) is not None or is_zip(head) else describe_other(head)

"""The folder of a suite: what a suite writes into it, and making room for another one.

Only what a suite wrote is ever removed. ``suite.json`` names the films from the start, so that a suite that was stopped
can be replaced as well.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from raysplay.configs.errors import RaysplayError
from raysplay.infer.outputs.run_files import LEDGER_FILES, LOCK, PARTIAL, TABLES, WRITER
from raysplay.infer.outputs.run_report import write_json
from raysplay.synthetic_data.archive import FILMS, LANDMARKS, TRUTH

REPORT = ("suite.json", "suite.csv", "suite.md")
PLOTS = ("outcomes.png", "coverage.png", "severity.png", "risk_coverage.png")
RUN, REAL_RUN = "run", "real_run"
_LOCKS = (LOCK, f"{LOCK}.held", WRITER)


class SuiteFolderError(RaysplayError, ValueError):
    """A folder that cannot take a suite; the message names it and says why."""


def make_room(out: Path, films: Sequence[str], *, overwrite: bool) -> None:
    """An empty place for a suite that will write ``films`` (paths below ``out``).

    Raises
    ------
    SuiteFolderError
        If the folder holds anything but, with ``overwrite``, an earlier suite; nothing was removed then.
    """
    try:
        there = [path for path in _files(out) if path.parent != out or path.name not in _LOCKS]
        earlier = _written_films(out, there, overwrite) if there else ()
        out.mkdir(parents=True, exist_ok=True)
        _mark(out, dict.fromkeys((*earlier, *films)))
        for path in there:
            if path != out / REPORT[0]:
                path.unlink(missing_ok=True)
        for folder in (FILMS, RUN, REAL_RUN):
            _remove_empty(out / folder)
        _mark(out, films)
    except OSError as error:
        raise SuiteFolderError(f"{out}: cannot be used ({error.strerror})") from error


def replace_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write JSON so that the file is whole at any moment."""
    partial = path.with_name(path.name + PARTIAL)
    write_json(partial, dict(content))
    os.replace(partial, path)


def _mark(out: Path, films: Iterable[str]) -> None:
    replace_json(out / REPORT[0], {"finished": False, "wrote": list(films)})


def _written_films(out: Path, there: Iterable[Path], overwrite: bool) -> tuple[str, ...]:
    """Films that the earlier suite in a folder names as its own, after a check that there is nothing else."""
    if not overwrite or not (out / REPORT[0]).is_file():
        raise SuiteFolderError(
            f"{out}: is not empty; choose another folder, or pass --overwrite to replace an earlier suite"
        )
    try:
        told = json.loads((out / REPORT[0]).read_text(encoding="utf-8"))["wrote"]
        films = tuple(name for name in told if PurePosixPath(name).parts[0] == FILMS)
    except (ValueError, KeyError, TypeError, AttributeError, IndexError):
        raise SuiteFolderError(
            f"{out / REPORT[0]}: does not say which films a suite wrote here, so that nothing is removed; choose "
            "another folder"
        ) from None
    runs = (f"{folder}/{name}" for folder in (RUN, REAL_RUN) for name in (*TABLES, *LEDGER_FILES, *_LOCKS))
    own = {TRUTH, LANDMARKS, *REPORT, *PLOTS, *films, *runs}
    own |= {name + PARTIAL for name in own}
    for path in there:
        if path.relative_to(out).as_posix() not in own:
            raise SuiteFolderError(
                f"{out}: holds {path.relative_to(out)}, which no suite wrote; nothing was removed. Move it away, or "
                "choose another folder"
            )
    return films


def _files(folder: Path) -> Iterator[Path]:
    """Everything below a folder that is no folder itself; links are not followed."""
    if not folder.exists():
        return
    for entry in sorted(os.scandir(folder), key=lambda one: one.name):
        if entry.is_dir(follow_symlinks=False):
            yield from _files(Path(entry.path))
        else:
            yield Path(entry.path)


def _remove_empty(folder: Path) -> None:
    """Remove a folder that holds nothing but folders."""
    for inner, _, _ in os.walk(folder, topdown=False):
        os.rmdir(inner)

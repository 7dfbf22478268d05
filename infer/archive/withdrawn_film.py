"""A film taken out of a run, as if it had never been there: ledger, tables and pictures follow without it.

Elsewhere results of files that vanished stay, marked; here somebody said that the film must go. Nothing is read again
and no network is loaded: the tables follow from the ledger, and what ``run.json`` says of program, weights and protocol
stays as it was, since the numbers of the other films are those.
"""

from __future__ import annotations

import contextlib
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import sqlalchemy.exc

from raysplay.configs.load import digest, landmark_schema
from raysplay.configs.plain_file import read_plain
from raysplay.infer.archive.derived_tables import kept_films
from raysplay.infer.archive.ledger import Ledger, LedgerError, why
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.outputs.run_files import ABOUT, OVERLAYS, REPORT, SCRATCH, TABLES
from raysplay.infer.outputs.run_folder import RunFolder, RunStoppedError, writing
from raysplay.infer.outputs.run_tables import RunError
from raysplay.infer.outputs.run_writer import RunWriter
from raysplay.infer.outputs.settings import output_settings


def take_out(folder: Path, file: str) -> None:
    """Take a file out of the run in a folder; done again after it was stopped, it goes on.

    Where no film is left, neither is a run. Where it was stopped while files got their names, the folder has no
    ``run.json``: the next run into it writes the tables, without that film and without reading one again. A run that is
    damaged or of another version goes as a whole: the next one reads all films again.

    Parameters
    ----------
    folder : Path
        Of the run; it need not hold one.
    file : str
        Name of the film; its frames and members go with it.

    Raises
    ------
    RunFolderError
        If another program writes into the folder.
    RunStoppedError
        If the folder cannot be written; call it again.
    """
    if not Ledger.there(folder) and not (folder / ABOUT).exists():
        return
    try:
        _take_out(folder, file)
    except (LedgerError, RunError):
        run_folder = RunFolder(folder, overwrite=True)
        run_folder.begin()
        try:
            with writing(folder):
                _clear_scratch(folder)
                _remove(folder)
        finally:
            run_folder.release()


def _take_out(folder: Path, file: str) -> None:
    about, run = folder / ABOUT, None
    if about.exists():
        run = FinishedRun(folder)
        summary = json.loads(read_plain(about, output_settings().run.summary_bytes))
    run_folder = RunFolder(folder, overwrite=True)
    run_folder.begin(goes_on=True)
    try:
        with writing(folder), _in_words(folder), contextlib.closing(Ledger(folder)) as ledger:
            _clear_scratch(folder)
            for picture in ledger.pictures_of(file):
                for place in (folder / OVERLAYS, run_folder.partial(OVERLAYS)):
                    (place / picture).unlink(missing_ok=True)
            ledger.forget(file)
            ledger.sweep()
            empty = next(ledger.kept(), None) is None
            if run is None or empty:
                kept = {name.removeprefix(f"{OVERLAYS}/") for *_, names in kept_films(ledger) for name in names}
                run_folder.clear_pictures(keep=kept)
                run_folder.clear_tables()
                for name in TABLES if run is None else ():  # some of them may be those of before
                    (folder / name).unlink(missing_ok=True)
            else:
                _write(ledger, run_folder, run, summary)
        if empty:
            with writing(folder):
                _remove(folder)
    finally:
        run_folder.release()


def _write(ledger: Ledger, folder: RunFolder, run: FinishedRun, summary: dict[str, Any]) -> None:
    """Tables and summary of the films that are left."""
    drawn: set[str] = set()
    writer = RunWriter(folder, landmark_schema(), run.measures, overlays=False, begun=True)
    try:
        for record, film, pictures in kept_films(ledger):
            writer.append(record, film, pictures)
            drawn.update(picture.removeprefix(f"{OVERLAYS}/") for picture in pictures)
        folder.clear_pictures(keep=drawn)
        ledger.note(written="")
        writer.finish_as(summary, weights=run.recorded.digests.weights, keep=drawn)
    finally:
        writer.close()
    ledger.note(written=digest(folder.path / ABOUT))


def _clear_scratch(folder: Path) -> None:
    for left in folder.glob(f"{SCRATCH}*"):
        shutil.rmtree(left, ignore_errors=True)


def _remove(folder: Path) -> None:
    """Take away a run that has no film; ``run.json`` first, so that none is taken for whole, the ledger last."""
    for name in (ABOUT, *TABLES, REPORT):
        (folder / name).unlink(missing_ok=True)
    shutil.rmtree(folder / OVERLAYS, ignore_errors=True)
    Ledger.remove(folder)


@contextlib.contextmanager
def _in_words(folder: Path) -> Iterator[None]:
    try:
        yield
    except sqlalchemy.exc.SQLAlchemyError as error:
        raise RunStoppedError(f"{folder}: its ledger cannot be used ({why(error)})") from error

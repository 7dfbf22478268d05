"""The tables of a run as they follow from its ledger: in a fixed order, whatever the order of reading was."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from raysplay.infer.archive.ledger import Ledger, LedgerError
from raysplay.infer.archive.plan import RETRIED, SETTLED
from raysplay.infer.archive.stored_film import restored
from raysplay.infer.decide.decision import not_read
from raysplay.infer.films.film import Film, FilmRejected
from raysplay.infer.films.remark import Remark, RemarkKind
from raysplay.infer.outputs.run_files import CHECKED, OVERLAYS, SCRATCH
from raysplay.infer.outputs.run_folder import RunFolder
from raysplay.infer.outputs.table_set import TableSet
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import FilmRecord
from raysplay.measure import Measure
from raysplay.measure.schema import LandmarkSchema

GONE = Remark(RemarkKind.GONE, "the file was not found when the archive was last looked through")
TRIED_AGAIN = "the same command tries it again"
SET_ASIDE = "read again only with --retry"
"""What becomes of a file that gave no film."""


def kept_films(ledger: Ledger) -> Iterator[tuple[FilmRecord, Film | None, list[str]]]:
    """Every film of the tables with the paths of its pictures, in order.

    Raises
    ------
    LedgerError
        If a result in it is damaged.
    """
    for kept in ledger.kept():
        if kept.content is None:
            copied = FilmRejected(f"same file as {kept.original}", ReasonKind.DUPLICATE)
            yield FilmRecord(kept.name, (), not_read(copied)), None, []
            continue
        record, film = opened(ledger, kept.name, kept.content)
        kinds = {reason.kind for reason in record.decision.reasons} if record.decision else set()
        if kept.unknown and not kinds & SETTLED:
            record = _with(record, TRIED_AGAIN)
        elif kinds & RETRIED:
            record = _with(record, SET_ASIDE)
        if kept.gone:
            record = replace(record, remarks=(*record.remarks, GONE))
        yield record, film, [f"{OVERLAYS}/{name}" for name in kept.pictures]


def write_so_far(ledger: Ledger, folder: RunFolder, schema: LandmarkSchema, reported: Sequence[Measure]) -> None:
    """Write the tables so far, each whole, under the names of an unfinished run.

    Raises
    ------
    OSError
        If they cannot be written; those that were there stay.
    """
    with tempfile.TemporaryDirectory(prefix=SCRATCH, dir=folder.path) as scratch:
        tables = TableSet(lambda name: Path(scratch, name), schema, reported, at_once=False)
        try:
            for record, film, pictures in kept_films(ledger):
                tables.append(record, film, pictures)
            tables.close()
        except BaseException:
            tables.abandon()
            raise
        for name in CHECKED:
            os.replace(Path(scratch, name), folder.partial(name))


def _with(record: FilmRecord, what: str) -> FilmRecord:
    """The same with what becomes of the file, said with its first reason."""
    if record.decision is None or not record.decision.reasons:
        return record
    first, *others = record.decision.reasons
    reasons = (replace(first, text=f"{first.text} ({what})"), *others)
    return replace(record, decision=replace(record.decision, reasons=reasons))


def opened(ledger: Ledger, name: str, content: bytes) -> tuple[FilmRecord, Film | None]:
    """A film's result from its bytes in a ledger, under a name.

    Raises
    ------
    LedgerError
        If it is damaged.
    """
    try:
        return restored(name, content)
    except ValueError as error:
        raise LedgerError(
            f"{ledger.name}: is damaged: the result of a film cannot be made out. Measure again with --overwrite"
        ) from error

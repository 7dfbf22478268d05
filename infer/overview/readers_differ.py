"""By what two runs were read, and what of it is not the same: numbers of both are never mixed without saying so."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import sqlalchemy.exc
from pydantic import BaseModel, Field, ValidationError

from raysplay.configs.plain_file import read_plain
from raysplay.infer.archive.ledger import Ledger, LedgerError, Session
from raysplay.infer.archive.reader_key import differences as key_differences
from raysplay.infer.outputs.finished_run import READ_BY_A_RUN, FinishedRun
from raysplay.infer.outputs.run_files import ABOUT
from raysplay.infer.outputs.settings import output_settings

Seconds = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]
Few = Field(max_length=1000)


class RecordedWork(BaseModel):
    """What ``run.json`` keeps of when, how fast and on what a run was made; empty where it does not tell."""

    ended: Annotated[str, Field(max_length=64)] = ""
    wall_seconds: Seconds | None = None
    films_per_minute: Seconds | None = None
    seconds_by_stage: Annotated[dict[str, Seconds], Few] = {}
    versions: Annotated[dict[str, str], Few] = {}
    machine: Annotated[dict[str, str | int], Few] = {}


@dataclass(frozen=True)
class LedgerFacts:
    """What a run's ledger tells besides its tables.

    Attributes
    ----------
    why : str
        Why nothing is known; empty where it is.
    key : mapping of str to str
        What numbers depend on besides the film.
    sessions : tuple of Session
    slowest : tuple of (str, float)
        Films that took longest, with seconds.
    seconds : tuple of float
        Median, 95th and 99th percentile and the most that a film took; empty where none is kept.
    films : int
        Films whose seconds are kept.
    """

    why: str = ""
    key: dict[str, str] | None = None
    sessions: tuple[Session, ...] = ()
    slowest: tuple[tuple[str, float], ...] = ()
    seconds: tuple[float, ...] = ()
    films: int = 0


def recorded_work(run: FinishedRun) -> RecordedWork:
    """What ``run.json`` says of the work; nothing where that part of it cannot be used."""
    try:
        return RecordedWork.model_validate_json(read_plain(run.folder / ABOUT, output_settings().run.summary_bytes))
    except (OSError, ValidationError):
        return RecordedWork()


def ledger_facts(folder: Path, address: str = "", *, most: int) -> LedgerFacts:
    """What the ledger of a run tells; where there is none, or it cannot be read, why.

    Parameters
    ----------
    folder : Path
        Of the run.
    address : str
        Of the ledger, where it needs a password.
    most : int
        How many of the slowest films.
    """
    if not Ledger.there(folder):
        return LedgerFacts("the folder holds no ledger")
    try:
        ledger = Ledger(folder, address, looking=True)
    except LedgerError as error:
        return LedgerFacts(str(error))
    try:
        key = ledger.about.get("key")
        slowest, seconds, films = ledger.times(most, (0.5, 0.95, 0.99, 1.0))
        known = {str(name): str(value) for name, value in key.items()} if isinstance(key, dict) else None
        return LedgerFacts("", known, tuple(ledger.sessions()), tuple(slowest), tuple(seconds), films)
    except sqlalchemy.exc.SQLAlchemyError:
        return LedgerFacts("the ledger cannot be read now")
    finally:
        ledger.close()


def differences(now: FinishedRun, before: FinishedRun, ledgers: tuple[LedgerFacts, LedgerFacts]) -> tuple[str, ...]:
    """What two runs were not read alike by, in words; empty where all that is known is the same."""
    keys = [ledger.key for ledger in ledgers]
    if keys[0] is None or keys[1] is None:
        return tuple(dict.fromkeys((*_weights(now, before, stated_once=True), *_by_summary(now, before))))
    by_summary = (*_weights(now, before, stated_once=False), *_by_summary(now, before))
    return tuple(dict.fromkeys((*by_summary, *key_differences(keys[1], keys[0]))))


def code_unknown(ledgers: tuple[LedgerFacts, LedgerFacts]) -> bool:
    """Whether it cannot be told that both runs were read by the same code."""
    return any(ledger.key is None for ledger in ledgers)


def _weights(now: FinishedRun, before: FinishedRun, *, stated_once: bool) -> Iterator[str]:
    """Weights that differ; ``stated_once``: those, too, that one run alone names, as earlier versions named fewer."""
    mine, theirs = now.recorded.digests.weights, before.recorded.digests.weights
    for name in sorted({*mine, *theirs} if stated_once else {*mine} & {*theirs}):
        if mine.get(name) != theirs.get(name):
            yield f"the weights {name}"


def _by_summary(now: FinishedRun, before: FinishedRun) -> Iterator[str]:
    mine, theirs = now.recorded, before.recorded
    for name in READ_BY_A_RUN:
        if mine.digests.configs.get(name) != theirs.digests.configs.get(name):
            yield f"the configuration {name}"
    if mine.protocol.sha256 != theirs.protocol.sha256:
        yield "the protocol"
    versions = recorded_work(now).versions, recorded_work(before).versions
    for name in sorted({*versions[0], *versions[1]} - {"python"}):
        if versions[0].get(name) != versions[1].get(name):
            yield f"{name} ({versions[1].get(name, 'not stated')} before, {versions[0].get(name, 'not stated')} now)"

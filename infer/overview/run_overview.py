"""One call: read a run, and another one if asked for, and hold all that the page says of them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from raysplay.infer.archive.ledger import Ledger
from raysplay.infer.outputs.finished_run import FinishedRun, RunError, read_run
from raysplay.infer.outputs.run_files import ABOUT, REPORT
from raysplay.infer.overview.changed import Changed, changed
from raysplay.infer.overview.fates import Fate, Flow, ReasonCount, fate_of, flow, found, reason_counts
from raysplay.infer.overview.readers_differ import (
    LedgerFacts,
    RecordedWork,
    code_unknown,
    differences,
    ledger_facts,
    recorded_work,
)
from raysplay.infer.overview.same_films import MatchedFilms, PairedFeet, matched_films, paired_feet
from raysplay.infer.overview.shifted import Shifted, shifted
from raysplay.infer.overview.spread import Group, Spread, groups, spreads
from raysplay.infer.records import Withheld

SLOWEST, LARGEST, UNREAD = 20, 15, 50
"""How many files a list names at the most."""


@dataclass(frozen=True)
class Drift:
    """A run against an earlier one.

    Attributes
    ----------
    before : FinishedRun
    work : RecordedWork
        Of the earlier run.
    read_otherwise : tuple of str
        What the two were not read alike by; empty where all that is known is the same.
    code_unknown : bool
        Whether it cannot be told that the code was the same.
    films : MatchedFilms
    feet : PairedFeet
    changed : Changed
        Of films that both read.
    shifted : Shifted or None
        Of films that only this run read; None where there are none.
    """

    before: FinishedRun
    work: RecordedWork
    read_otherwise: tuple[str, ...]
    code_unknown: bool
    films: MatchedFilms
    feet: PairedFeet
    changed: Changed
    shifted: Shifted | None


@dataclass(frozen=True)
class Overview:
    """What a report of a run holds.

    Attributes
    ----------
    run : FinishedRun
    work : RecordedWork
    ledger : LedgerFacts
    flow : Flow
    reasons : tuple of ReasonCount
    groups : tuple of Group
    spreads : tuple of Spread
        Every measure by every group.
    withheld : mapping of (str, Withheld or None) to int
        Feet by measure and why it has no number.
    unread : tuple of (str, str)
        The first files that could not be read, with the sentence of the tables.
    drift : Drift or None
    """

    run: FinishedRun
    work: RecordedWork
    ledger: LedgerFacts
    flow: Flow
    reasons: tuple[ReasonCount, ...]
    groups: tuple[Group, ...]
    spreads: tuple[Spread, ...]
    withheld: dict[tuple[str, Withheld | None], int]
    unread: tuple[tuple[str, str], ...]
    drift: Drift | None

    def page(self) -> str:
        """The report as one HTML page: nothing is fetched, nothing runs."""
        from raysplay.infer.overview.made import TITLE
        from raysplay.infer.overview.report import report_blocks
        from raysplay.infer.report.web_page import web_page

        return web_page(TITLE, report_blocks(self))

    def write(self, path: Path | str | None = None, *, overwrite: bool = False) -> Path:
        """Write the page; into the folder of the run where no path is given.

        Raises
        ------
        ReportFileError
            If the file cannot be written, is no report, or is one that may not be replaced.
        """
        from raysplay.infer.overview.written import check_free, write_page

        place = self.run.folder / REPORT if path is None else Path(path)
        check_free(place, overwrite=overwrite)
        write_page(place, self.page(), overwrite=overwrite)
        return place


def overview(folder: Path | str, *, against: Path | str | None = None, ledger: str = "") -> Overview:
    """Read the finished run in a folder, and compare it with an earlier one.

    Parameters
    ----------
    folder : path
    against : path, optional
        Folder of the earlier run.
    ledger : str
        Address of the run's ledger, where it needs a password.

    Raises
    ------
    RunFormatError
        If another version wrote a run in another format.
    RunError
        If there is no finished run, a table was changed after it, or a file is not what ``raysplay measure`` writes.
    """
    run = _finished(Path(folder))
    facts = ledger_facts(run.folder, ledger, most=SLOWEST)
    made = groups(run)
    return Overview(
        run,
        recorded_work(run),
        facts,
        flow(run),
        reason_counts(run),
        made,
        tuple(spreads(run, made)),
        _withheld(run, made[0]),
        _unread(run),
        None if against is None else _drift(run, facts, Path(against)),
    )


def _finished(folder: Path) -> FinishedRun:
    if Ledger.there(folder) and not (folder / ABOUT).exists():
        raise RunError(
            f"{folder}: the run is not finished, so that nothing can be reported of it yet. `raysplay status` tells "
            "how far it is; the same call of `raysplay measure` goes on"
        )
    return read_run(folder)


def _drift(run: FinishedRun, facts: LedgerFacts, folder: Path) -> Drift:
    before = _finished(folder)
    ledgers = facts, ledger_facts(before.folder, most=SLOWEST)
    films = matched_films(run, before)
    feet = paired_feet(run, before, films)
    return Drift(
        before,
        recorded_work(before),
        differences(run, before, ledgers),
        code_unknown(ledgers),
        films,
        feet,
        changed(run, before, films, feet, most=LARGEST),
        shifted(run, before, films),
    )


def _withheld(run: FinishedRun, measured: Group) -> dict[tuple[str, Withheld | None], int]:
    gaps = measured.rows & np.isnan(run.values[:, :, 0]).any(axis=1)
    counted: Counter[tuple[str, Withheld | None]] = Counter()
    for row in np.flatnonzero(gaps):
        counted.update(run.withheld(int(row)).items())
    return dict(counted)


def _unread(run: FinishedRun) -> tuple[tuple[str, str], ...]:
    listed = []
    for row in np.flatnonzero(~found(run)):
        if fate_of(run.reasons[row]) is Fate.UNREADABLE:
            listed.append((run.films[row].as_py(), run.reason_texts[row].as_py()))
            if len(listed) == UNREAD:
                break
    return tuple(listed)

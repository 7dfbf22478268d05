"""How far a run has come, by its ledger; also of one that is under way, and of one that was killed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy.exc

from raysplay.infer.archive.ledger import Ledger, LedgerError, Session, why
from raysplay.infer.archive.plan import SETTLED
from raysplay.infer.outputs.folder_lock import writer_of
from raysplay.infer.reason import ReasonKind

_LISTED = 10
FAILED = tuple(kind for kind in ReasonKind if kind.gave_no_film and kind is not ReasonKind.DUPLICATE)
"""Kinds of files that gave no film."""


@dataclass(frozen=True)
class Status:
    """How far a run has come.

    Attributes
    ----------
    writer : str
        Who writes into the folder now, in words; empty if nobody does.
    sessions : tuple of Session
        Calls of the command, the first one first; without those that found nothing to read.
    counts : dict
        Films by worst outcome.
    gone, failed, again : int
        ``again``: files that the next call tries again, since their bytes were not to be had.
    failures : tuple of (str, str)
        The first files that gave no film, with kinds of reasons.
    slowest : tuple of (str, float)
        Films that took longest, with seconds.
    finished : bool
        Whether the tables of all films were written.
    """

    folder: Path
    writer: str
    sessions: tuple[Session, ...]
    counts: dict[str, int]
    gone: int
    failed: int
    failures: tuple[tuple[str, str], ...]
    slowest: tuple[tuple[str, float], ...]
    finished: bool
    again: int = 0

    @property
    def films_a_second(self) -> float:
        """Over the last five minutes of the last call; 0 where it read nothing."""
        if not self.sessions:
            return 0.0
        last = self.sessions[-1]
        films, seconds = last.recent_films, last.recent_seconds
        if films == 0 or seconds <= 0.0:
            films, seconds = last.films, last.seconds
        return films / seconds if seconds > 0.0 else 0.0

    @property
    def left(self) -> int:
        """Films that the last call has still to read."""
        return max(self.sessions[-1].total - self.sessions[-1].films, 0) if self.sessions else 0

    def lines(self) -> Iterator[str]:
        """All of it in sentences, one a line."""
        yield from self._state()
        whole = sum(self.counts.values())
        parts = ", ".join(f"{self.counts.get(name, 0):,} {name}" for name in ("accepted", "review", "refused"))
        gone = f"; {self.gone:,} of them gone since" if self.gone else ""
        yield f"{whole:,} films kept, by the worst of their feet: {parts}{gone}."
        if self.again:
            yield f"Bytes not to be had: {self.again:,}; the same command tries them again."
        if self.slowest:
            yield "Slowest:"
            yield from (f"  {seconds:8.1f} s  {name}" for name, seconds in self.slowest)
        if self.failed:
            yield f"Gave no film: {self.failed:,}" + (":" if self.failures else "")
            yield from (f"  {_words(kinds)}: {name}" for name, kinds in self.failures)
            if self.failed > len(self.failures):
                yield f"  and {self.failed - len(self.failures):,} more, see films.csv and feet.csv"

    def _state(self) -> Iterator[str]:
        last = self.sessions[-1] if self.sessions else None
        if self.writer:
            yield f"Under way: {self.writer} is writing into {self.folder}."
        elif self.finished:
            yield f"Finished: the tables in {self.folder} hold all films."
        elif last is not None and last.stage == "stopped":
            yield f"Stopped at {last.last} (UTC). The same command goes on from there."
        else:
            when = f" Its last sign of life is of {last.last} (UTC)." if last is not None else ""
            yield f"Neither under way nor finished: killed, or the machine stopped.{when} The same command goes on."
        if last is None or self.finished:
            return
        yield f"This call: {last.films:,} of {last.total:,} films in {_time(last.seconds)}" + (
            ", writing the last tables." if last.stage == "writing tables" and self.writer else "."
        )
        if rate := self.films_a_second:
            left = f"; {_time(self.left / rate)} left" if self.writer and self.left else ""
            yield f"Rate: {60.0 * rate:,.0f} films a minute{left}."


def status(folder: Path, address: str = "") -> Status:
    """The state of the run in a folder; nothing is changed.

    Raises
    ------
    LedgerError
        If there is no ledger, or it cannot be read.
    """
    if not Ledger.there(folder):
        raise LedgerError(
            f"{folder}: there is no ledger of a run; is this the folder that `raysplay measure --out` names?"
        )
    ledger = Ledger(folder, address, looking=True)
    try:
        counts: dict[str, int] = {}
        gone = 0
        for (outcome, is_gone), films in ledger.counts().items():
            counts[outcome] = counts.get(outcome, 0) + films
            gone += films if is_gone else 0
        failed, failures = ledger.of_kinds([kind.value for kind in FAILED], _LISTED)
        writer = writer_of(folder) or ""
        return Status(
            folder,
            writer,
            tuple(ledger.sessions()),
            counts,
            gone,
            failed,
            tuple(failures),
            tuple(ledger.slowest(_LISTED)),
            bool(ledger.about.get("written")) and not writer and _all_done(ledger.sessions()),
            ledger.unknown(but=[kind.value for kind in SETTLED]),
        )
    except sqlalchemy.exc.SQLAlchemyError as error:
        raise LedgerError(f"{ledger.name}: cannot be read now ({why(error)})") from error
    finally:
        ledger.close()


def _all_done(sessions: list[Session]) -> bool:
    return not sessions or sessions[-1].stage == "done"


def _words(kinds: str) -> str:
    known = {kind.value: kind.words for kind in FAILED}
    return "; ".join(known[kind] for kind in kinds.split() if kind in known)


def _time(seconds: float) -> str:
    hours, rest = divmod(int(seconds), 3600)
    minutes, whole = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes} min"
    return f"{minutes} min {whole} s" if minutes else f"{seconds:.0f} s"

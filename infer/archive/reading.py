"""Reads one film and packs what came of it: the same in this process, in a pool and on a cluster."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

from raysplay.configs.load import landmark_schema
from raysplay.infer.archive.job import Answer
from raysplay.infer.archive.stored_film import stored
from raysplay.infer.films.film_identity import Stamp, content_digest, stamp
from raysplay.infer.outputs.names import overlay_name
from raysplay.infer.pipeline import FilmReading
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Decision, FilmRecord, Outcome

_WORST_FIRST = (Outcome.REFUSED, Outcome.REVIEW, Outcome.ACCEPTED)

TROUBLES = {
    ReasonKind.PROCESS_DIED: "not read: the program that read it ended twice",
    ReasonKind.TIME_LIMIT: "not read: it took longer than the limit, twice",
    ReasonKind.BYTES_LATE: "not read: the drive did not give its bytes in time, twice",
    ReasonKind.CHANGED: "not read: the file was changed while it was read, twice",
}
"""What is said of a film that has no result of its own; what becomes of it is added in
:mod:`raysplay.infer.archive.derived_tables`."""


def answer(
    reading: FilmReading, path: Path, before: Stamp | None, *, level: float | None, seconds: float = 0.0
) -> Answer:
    """What came of a film, packed.

    Parameters
    ----------
    before : Stamp or None
        Of the file before it was opened: if it has another one now, what was read is of neither.
    level : float or None
        Of the intervals, for the pictures; None for no pictures.
    """
    record, film = reading.record, reading.film
    started = time.perf_counter()
    pictures = () if level is None or film is None else tuple(_pictures(reading, level))
    spent = dict(record.seconds or {})
    if pictures:
        spent["overlay"] = time.perf_counter() - started
    record = replace(record, seconds=spent)
    after = stamp(path)
    digest = film.sha256 if film is not None else content_digest(path)
    decisions = [foot.decision for foot in record.feet] or [record.decision or Decision(Outcome.REFUSED)]
    made = Answer(
        stored(record, film),
        worst(decisions).value,
        tuple(sorted({reason.kind.value for decision in decisions for reason in decision.reasons})),
        digest,
        after,
        pictures,
        seconds or sum(passed for stage, passed in spent.items() if stage != "waiting"),
    )
    if before != after or ReasonKind.CHANGED.value in made.kinds:
        return made.unmarked(ReasonKind.CHANGED)
    return made


def troubled(name: str, trouble: ReasonKind, digest: str, marks: Stamp | None, seconds: float) -> Answer:
    """The answer for a film that gave none."""
    decision = Decision(Outcome.REFUSED, (Reason(trouble, TROUBLES[trouble]),))
    content = stored(FilmRecord(name, (), decision, seconds={"lost": seconds}), None)
    return Answer(content, "refused", (trouble.value,), digest, marks, (), seconds, trouble)


def worst(decisions: Iterable[Decision]) -> Outcome:
    """The worst outcome of a film's feet."""
    return min((decision.outcome for decision in decisions), key=_WORST_FIRST.index)


def _pictures(reading: FilmReading, level: float) -> Iterator[tuple[str, bytes]]:
    from raysplay.infer.outputs.overlay import draw_overlay
    from raysplay.infer.outputs.png import png

    record, film = reading.record, reading.film
    assert film is not None
    for index, foot in enumerate(record.feet):
        marked = reading.doubtful[index] if index < len(reading.doubtful) else ()
        picture = draw_overlay(film, record.film, foot, landmark_schema(), marked, level=level)
        yield overlay_name(record.film, index, foot.landmarks.foot.side), png(picture)

"""What became of films, feet and rows: found, matched, compared, or left out and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from raysplay.infer.agreement.feet import NOT_FOUND, NOT_READ, READ_ONLY, Run, StudyReads
from raysplay.infer.agreement.reads import ReadTables, UnusedRow
from raysplay.infer.records import Outcome
from raysplay.measure import by_name

COMPARED, WITHHELD = "compared", "withheld by the run"
FILMS_OF_RUN, NOBODY_READ, ROWS = "films of the run", "nobody read them", "rows of the tables"
NUMBERS_USED, FILMS_READ, FEET_READ = "numbers used", "films read", "feet read"
_REFUSED = Outcome.REFUSED.value
_SAID = {Outcome.REVIEW.value: "sent to review"}


@dataclass(frozen=True)
class FlowStep:
    """A count of something, and what it is a part of; ``out`` where it leads out of the study."""

    what: str
    unit: str
    count: int
    of: str = ""
    out: bool = False
    measure: str = ""


def flow(tables: ReadTables, study: StudyReads, run: Run | None, unused: Sequence[UnusedRow]) -> tuple[FlowStep, ...]:
    """All counts, from films to compared numbers."""
    return tuple(_steps(tables, study, run, unused))


def _steps(tables: ReadTables, study: StudyReads, run: Run | None, unused: Sequence[UnusedRow]) -> Iterator[FlowStep]:
    films = {foot.film for foot in study.feet}
    if run is not None:
        archive = run.archive
        yield FlowStep(FILMS_OF_RUN, "films", len(archive.films))
        yield FlowStep(NOBODY_READ, "films", len(archive.films.keys() - films), FILMS_OF_RUN, out=True)
    yield FlowStep(ROWS, "rows", sum(tables.rows.values()))
    for kind, count in Counter(row.kind for row in unused).most_common():
        yield FlowStep(kind.value, "rows or cells", count, ROWS, out=True)
    yield FlowStep(NUMBERS_USED, "numbers", sum(int(np.isfinite(v).sum()) for v in study.readings.values()))
    yield FlowStep(FILMS_READ, "films", len(films))
    yield FlowStep(FEET_READ, "feet", len(study.feet), FILMS_READ)
    decisions = Counter(foot.decision for foot in study.feet)
    for decision in (*(one.value for one in Outcome), NOT_FOUND, NOT_READ):
        if run is not None:
            said = decision if decision in (NOT_FOUND, NOT_READ) else f"{_SAID.get(decision, decision)} by the run"
            yield FlowStep(
                said, "feet", decisions[decision], FEET_READ, out=decision in (_REFUSED, NOT_FOUND, NOT_READ)
            )
    for name in study.measures:
        read = np.isfinite(study.readings[name]).any(axis=(1, 2))
        short = by_name(name).abbreviation
        yield FlowStep(f"{short} read by somebody", "feet", int(read.sum()), FEET_READ, measure=name)
        if run is None:
            continue
        for fate, count in fates(study, name).items():
            yield FlowStep(f"{short} {fate}", "feet", count, f"{short} read by somebody", fate != COMPARED, name)


def fates(study: StudyReads, measure: str) -> dict[str, int]:
    """What became of the feet of which somebody read a measure, by what the run made of them."""
    read = np.isfinite(study.readings[measure]).any(axis=(1, 2))
    count = Counter(
        fate_of(study, int(i), measure) for i in np.flatnonzero(read) if study.feet[i].decision != READ_ONLY
    )
    return {fate: count[fate] for fate in (COMPARED, WITHHELD, f"{_REFUSED} by the run", NOT_FOUND, NOT_READ)}


def fate_of(study: StudyReads, foot: int, measure: str) -> str:
    """What the run made of one foot's measure."""
    decision = study.feet[foot].decision
    if decision in (NOT_FOUND, NOT_READ):
        return decision
    if decision == _REFUSED:
        return f"{_REFUSED} by the run"
    return COMPARED if np.isfinite(study.tool[measure][foot]) else WITHHELD

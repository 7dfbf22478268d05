"""What a review hands back: the reviewed table, corrected landmarks, reads of studies, and the history."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from raysplay.infer.outputs.csv_table import CsvTable
from raysplay.infer.outputs.names import cell_text
from raysplay.infer.outputs.owner_only import make_file, make_folder
from raysplay.infer.outputs.tables import Row
from raysplay.infer.review.desk import Standing, short
from raysplay.infer.review.lineage import BLIND, STANDS, EarlierRead
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.store import Entry
from raysplay.infer.review.worklist import CONFIRMED, CORRECTED, OPEN
from raysplay.measure import by_name

LANDMARKS_HEADER = ("film", "foot", "foot_index", "landmark", "x", "y")
"""As ``truth_landmarks.csv`` of ``raysplay synthesize`` has them."""

READS_HEADER = (
    "study",
    "reader",
    "film",
    "foot",
    "foot_index",
    "repeat",
    "measure",
    "value",
    "unit",
    "construction",
    "state",
    "when",
)
HISTORY_HEADER = (
    "when",
    "reader",
    "verdict",
    "film",
    "foot_index",
    "study",
    "version",
    "state",
    "reason",
    "note",
    "run",
    "outcome",
)
"""``run``: first digits of the SHA-256 of the ``run.json`` that the read was made on. ``outcome``: empty for a read of
this run; else what became of one of an earlier run."""

_LANDMARKS_STAND = (CONFIRMED, CORRECTED)
"""States in which a person answers for the landmarks; those of a foot read as the other side were never right."""


@dataclass(frozen=True)
class ReviewedCounts:
    """Rows written: feet, those settled by a person, landmarks, numbers of blind reads, entries of the history."""

    feet: int
    settled: int
    landmarks: int
    reads: int
    history: int


def write_reviewed(desk: OpenDesk, out: Path) -> ReviewedCounts:
    """Write ``feet_reviewed.csv``, ``corrected_landmarks.csv``, ``reads.csv`` and ``history.csv`` into ``out``.

    A file takes its name when it is whole; one of an earlier export is replaced then. Files, and folders that are made,
    are their owner's alone.
    """
    make_folder(out)
    settled = {number: desk.standing(number, "") for number in _read_feet(desk)}
    entries = list(desk.store.entries())
    earlier = desk.lineage.earlier()
    known = set(desk.run.digests()) - {""}
    blind = [one.entry for one in earlier if one.outcome == BLIND and one.entry.film_sha256 in known]
    header = reviewed_header([measure.name for measure in desk.run.measures])
    feet = _write(out / "feet_reviewed.csv", header, lambda: _feet(desk, settled))
    landmarks = _write(out / "corrected_landmarks.csv", LANDMARKS_HEADER, lambda: _landmarks(desk, settled))
    reads = _write(out / "reads.csv", READS_HEADER, lambda: blind_reads([*blind, *entries]))
    history = _write(out / "history.csv", HISTORY_HEADER, lambda: _history(desk, entries, earlier))
    return ReviewedCounts(feet, sum(one.state != OPEN for one in settled.values()), landmarks, reads, history)


def reviewed_header(measures: Sequence[str]) -> tuple[str, ...]:
    """Columns of ``feet_reviewed.csv``: six for each measure."""
    ends = ("", "_low", "_high", "_construction", "_source", "_when")
    numbers = (f"{name}{end}" for name in measures for end in ends)
    return ("film", "foot", "foot_index", "decision", "reasons", "state", "reader", "when", "reason", "note", *numbers)


def source(standing: Standing, by_hand: bool) -> str:
    """Who stands for a number: the model, who corrected it, who confirmed it."""
    if standing.state == OPEN:
        return f"corrected by {standing.corrected_by}, reopened by {standing.reader}" if by_hand else "model"
    if not by_hand:
        return f"confirmed by {standing.reader}"
    confirmed = f", confirmed by {standing.reader}" if standing.state == CONFIRMED else ""
    return f"corrected by {standing.corrected_by}{confirmed}"


def blind_reads(entries: Sequence[Entry]) -> Iterator[Row]:
    """The last read of every place in a study, one row a measure; values empty where the reader gave none.

    ``repeat`` counts how often this reader was shown the foot.
    """
    last = {(one.key.study, one.key.lane, one.key.item): one for one in entries if one.key.study}
    shown: dict[tuple[str, str, str, int], int] = {}
    for (study, reader, _), entry in sorted(last.items()):
        foot = study, reader, entry.film, entry.foot_index
        shown[foot] = shown.get(foot, 0) + 1
        content = entry.after
        about = (study, reader, entry.film, content["side"], entry.foot_index, shown[foot])
        for name, (value, _, _, construction, _) in content["values"].items():
            yield [*about, name, value, by_name(name).unit, construction, content["state"], entry.at]
        if not content["values"]:
            yield [*about, "", None, "", "", content["state"], entry.at]


def _read_feet(desk: OpenDesk) -> list[int]:
    return sorted(item for item, *_ in desk.store.current() if 1 <= item <= len(desk.run))


def _feet(desk: OpenDesk, settled: dict[int, Standing]) -> Iterator[Row]:
    run = desk.run
    for foot, (film, side, decision, reasons) in enumerate(
        zip(*(column.to_pylist() for column in (run.films, run.sides, run.decisions, run.reasons)), strict=True)
    ):
        standing = settled.get(foot + 1)
        index = int(run.foot_index[foot])
        if standing is None:
            row: Row = [film, side, index, decision, reasons, OPEN, "", "", "", ""]
            values = desk.model_values(foot)
        else:
            row = [film, standing.side, index, decision, reasons, standing.state, standing.reader, standing.at]
            row += [cell_text(standing.content[name]) for name in ("reason", "note")]
            values = standing.content["values"]
        for measure in run.measures:
            value, low, high, construction, by_hand = values.get(measure.name, (None, None, None, "", False))
            row += [value, low, high]
            if value is None:
                row += ["", "", ""]
            else:
                stands = "model" if standing is None else source(standing, by_hand)
                row += [construction, stands, "" if standing is None or stands == "model" else standing.at]
        yield row


def _landmarks(desk: OpenDesk, settled: dict[int, Standing]) -> Iterator[Row]:
    """Visible points of feet that a person corrected or confirmed.

    Those that nobody moved are among them: training lays its crops by them, and they hold the network where it was
    right.
    """
    for number, standing in settled.items():
        if standing.state not in _LANDMARKS_STAND:
            continue
        foot = number - 1
        placed = standing.placed
        for i, code in enumerate(desk.codes):
            x, y = (float(v) for v in placed.points[i])
            if placed.visible[i] and x == x:
                about = desk.run.films[foot].as_py(), standing.side, int(desk.run.foot_index[foot])
                yield [*about, code, round(x, 3), round(y, 3)]


def _history(desk: OpenDesk, entries: Sequence[Entry], earlier: Sequence[EarlierRead]) -> Iterator[Row]:
    """Every read once, in the order in which they were made, those of earlier runs too."""
    origins = desk.lineage.all_origins()
    told: list[tuple[Entry, str, str]] = [(one.entry, one.entry.run, one.outcome) for one in earlier]
    for entry in entries:
        came_from = None if entry.key.study else origins.get((entry.key.item, entry.version))
        told.append((entry, came_from or entry.run, STANDS if came_from else ""))
    for entry, run, outcome in sorted(told, key=lambda one: (one[0].at, one[0].id)):
        row: Row = [entry.at, entry.reader, entry.verdict, entry.film, entry.foot_index, entry.key.study, entry.version]
        row += [entry.after["state"], *(cell_text(entry.after[name]) for name in ("reason", "note"))]
        yield [*row, short(run), outcome]


def _write(path: Path, header: Sequence[str], rows: Callable[[], Iterator[Row]]) -> int:
    partial = path.with_name(f"{path.name}.partial")
    count = 0
    partial.unlink(missing_ok=True)
    make_file(partial)
    with CsvTable(partial, header) as table:
        for row in rows():
            table.append(row)
            count += 1
    os.replace(partial, path)
    return count

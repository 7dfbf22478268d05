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
from raysplay.infer.review.earlier import is_earlier, side_of_its_points, taken_over
from raysplay.infer.review.foot_answers import proven
from raysplay.infer.review.lineage import BLIND, STANDS, EarlierRead
from raysplay.infer.review.open_desk import OpenDesk
from raysplay.infer.review.read_answers import short
from raysplay.infer.review.standing import Json, Standing
from raysplay.infer.review.store import Entry
from raysplay.infer.review.worklist import CONFIRMED, CORRECTED, OPEN, WRONG_SIDE, shown_number
from raysplay.measure import Measure, by_name

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
    "remark",
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
    "foot",
    "accepted",
)
"""``run``: first digits of the SHA-256 of the ``run.json`` that the read was made on. ``outcome``: empty for a read of
this run; else what became of one of an earlier run. ``foot``: what the read calls the foot. ``accepted``: numbers taken
though they are held back, by whom and why."""

_LANDMARKS_STAND = (CONFIRMED, CORRECTED)
"""States in which a person answers for the landmarks; who says that a foot is the other one has not looked at them."""

_JOINT = "; "


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
    about = ("film", "foot", "foot_index", "decision", "reasons", "state", "reader", "when", "reason", "note")
    return (*about, *numbers, "side_by", "shown_as", "withheld", "unproven", "low_confidence", "remark")


def source(standing: Standing, measure: str, by_hand: bool) -> str:
    """Who stands for a number: the model, who corrected it, who confirmed it, who accepted what is held back.

    A correction speaks for the numbers that its reader changed; of the others in that foot it is said that nobody did.
    """
    accepted: Json | None = standing.reading.accepted.get(measure)
    hand = standing.hand(measure) if by_hand else None
    told = [f"corrected by {hand}"] if by_hand else []
    if accepted is not None:
        told.append(f"accepted by {accepted['by']}")
    if standing.state == OPEN:
        told += [f"reopened by {standing.reader}"] if told else ["model"]
    elif standing.state == WRONG_SIDE:
        told = told or ["model", f"side stated by {standing.side_by or standing.reader}"]
    elif standing.state == CONFIRMED:
        told += [f"confirmed by {standing.reader}"]
    elif hand != standing.reader and (accepted is None or accepted["by"] != standing.reader):
        told = [*(told or ["model"]), f"in a foot corrected by {standing.reader}"]
    if accepted is not None:
        by_run = " by the run" if accepted.get("by_run", True) else ""
        told.append(f"withheld{by_run}: {plain(accepted['cause'])}")
    return ", ".join(told)


def plain(cause: str) -> str:
    """A cause as it stands in a sentence: ``wide_interval`` -> ``wide interval``."""
    return cause.replace("_", " ")


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
        if is_earlier(content):
            content = taken_over(content, side_of_its_points(content), content["side"], {})
        about = (study, reader, entry.film, content["side"], entry.foot_index, shown[foot])
        end = (content["state"], entry.at, content.get("remark", ""))
        for name, (value, _, _, construction, _) in content["values"].items():
            unit = by_name(name).unit
            yield [*about, name, None if value is None else shown_number(value, unit), unit, construction, *end]
        if not content["values"]:
            yield [*about, "", None, "", "", *end]


def _read_feet(desk: OpenDesk) -> list[int]:
    return sorted(item for item, *_ in desk.store.current() if 1 <= item <= len(desk.run))


def _feet(desk: OpenDesk, settled: dict[int, Standing]) -> Iterator[Row]:
    run = desk.run
    for foot, (film, side, decision, reasons) in enumerate(
        zip(*(column.to_pylist() for column in (run.films, run.sides, run.decisions, run.reason_texts)), strict=True)
    ):
        standing = settled.get(foot + 1)
        index = int(run.foot_index[foot])
        if standing is None:
            row: Row = [film, side, index, decision, reasons, OPEN, "", "", "", ""]
            content = desk.contents.of_model(foot)
        else:
            content = standing.content
            row = [film, standing.side, index, decision, reasons, standing.state, standing.reader, standing.at]
            row += [cell_text(content[name]) for name in ("reason", "note")]
        given: list[Measure] = []
        for measure in run.measures:
            value, low, high, construction, by_hand = content["values"].get(measure.name, (None, None, None, "", False))
            row += [value, low, high]
            if value is None:
                row += ["", "", ""]
            else:
                given.append(by_name(measure.name, construction))
                stands = "model" if standing is None else source(standing, measure.name, by_hand)
                row += [construction, stands, "" if standing is None or stands == "model" else standing.at]
        row += [content["side_by"] or ("model" if content["side"] else ""), content["frame"]]
        row += [
            _JOINT.join(f"{name}:{cause}" for name, cause in content["withheld"].items()),
            _JOINT.join(measure.name for measure in given if not proven(run, measure)),
            _JOINT.join(measure.name for measure in given if measure.low_confidence),
        ]
        yield [*row, content["remark"]]


def _landmarks(desk: OpenDesk, settled: dict[int, Standing]) -> Iterator[Row]:
    """Visible points of feet that a person corrected or confirmed.

    Those that nobody moved are among them: training lays its crops by them, and they hold the network where it was
    right. Not among them is what the model doubts, no hand placed, and no number that was given stands on.
    """
    for number, standing in settled.items():
        if standing.state not in _LANDMARKS_STAND:
            continue
        foot = number - 1
        placed = standing.placed
        doubted = desk.numbers.doubted(foot, standing)
        for i, code in enumerate(desk.codes):
            x, y = (float(v) for v in placed.points[i])
            if placed.visible[i] and x == x and code not in doubted:
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
        after = entry.after
        accepted = [f"{name} by {one['by']}: {plain(one['cause'])}" for name, one in after.get("accepted", {}).items()]
        row: Row = [entry.at, entry.reader, entry.verdict, entry.film, entry.foot_index, entry.key.study, entry.version]
        row += [after["state"], *(cell_text(after[name]) for name in ("reason", "note"))]
        yield [*row, short(run), outcome, after["side"], _JOINT.join(accepted)]


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

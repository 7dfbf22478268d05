"""A run as blocks of a report: what stands where, in which words, with which caution."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import numpy as np

from raysplay.infer.decide.wording import number, unit_word
from raysplay.infer.overview.drawings import flow_picture, label, measure_picture
from raysplay.infer.overview.drift_report import drift_blocks
from raysplay.infer.overview.fates import Fate, Flow
from raysplay.infer.overview.made import IDENTITY_DIGITS, TITLE
from raysplay.infer.overview.published import published
from raysplay.infer.overview.readers_differ import RecordedWork
from raysplay.infer.overview.run_overview import UNREAD, Overview
from raysplay.infer.overview.spread import PERCENTILES
from raysplay.infer.overview.words import counted, duration, share
from raysplay.infer.records import OUTCOMES, Outcome
from raysplay.infer.report.document import About, Block, Bullets, DataTable, Heading, Paragraph

CAUTION = (
    "Raysplay is not a medical device and makes no diagnosis. A person confirms every number that is used in care, on "
    "the film itself; accepted does not mean confirmed."
)
_FILES_FOR_95, _FILES_FOR_99 = 20, 100
"""From so many files on a share of them is another one than all."""

NO_SAMPLE = (
    "The films of an archive are no sample of a population: who is filmed, how and why decides over these "
    "distributions. Numbers are those of the run; what a review corrected is not among them. Published ranges come "
    "from other films, other readers and often other axes; they are drawn to look by, and no grade of a foot follows "
    "from them. Feet in review are in the numbers, those refused are not; both feet and all films of a person count."
)


def report_blocks(overview: Overview) -> list[Block]:
    """The whole report."""
    return [
        About("en", "raysplay report", "Contents"),
        Heading(TITLE, 1),
        Paragraph(CAUTION, caution=True),
        *_opening(overview),
        *(drift_blocks(overview) if overview.drift is not None else ()),
        *_flow(overview.flow),
        *_decisions(overview),
        *_measures(overview),
        *_time(overview),
        *_unread(overview),
        *_read_by(overview),
    ]


def called(folder: Path) -> str:
    """A run's folder by its own name."""
    return folder.resolve().name


def run_words(folder: Path, identity: str, work: RecordedWork) -> str:
    """Which run: folder, first digits of the digest of ``run.json``, end."""
    return f"{called(folder)} (run {identity[:IDENTITY_DIGITS]}{ended_words(work)})"


def ended_words(work: RecordedWork) -> str:
    """When a run ended, to the minute; empty where it does not say."""
    try:
        return f", ended {datetime.fromisoformat(work.ended):%Y-%m-%d %H:%M}"
    except ValueError:
        return ""


def _opening(overview: Overview) -> Iterator[Block]:
    flow, run = overview.flow, overview.run
    accepted, review, refused = (flow.feet[name] for name in OUTCOMES)
    yield Paragraph(f"This report is of {run_words(run.folder, run.identity, overview.work)}.")
    last = overview.ledger.sessions[-1] if overview.ledger.sessions else None
    if last is not None and last.stage != "done":
        yield Paragraph(
            f"A later call of the command has not ended ({last.films:,} of {last.total:,} files read by the last it "
            "said). This page is of the tables from before it.",
            caution=True,
        )
    if not flow.files:
        yield Paragraph("The run holds no file: there is nothing to report.")
        return
    said = (
        f"{counted(flow.files, 'file')} listed, {counted(flow.films, 'film')} among them; on "
        f"{flow.fates[Fate.FEET]:,} of these {counted(flow.feet_found, 'foot', 'feet')}: {accepted:,} accepted, "
        f"{review:,} sent to review, {refused:,} refused."
    )
    yield Paragraph(said)
    if review:
        yield Paragraph(
            f"{counted(review, 'foot waits', 'feet wait')} for a person, unless a review settled them meanwhile: this "
            "page knows the run alone."
        )


def _flow(flow: Flow) -> Iterator[Block]:
    if not flow.files:
        return
    yield Heading("Flow of files")
    yield flow_picture(flow)
    rows = [("files listed", f"{flow.files:,}", "")]
    rows += [(fate.value, f"{flow.fates[fate]:,}", share(flow.fates[fate], flow.files)) for fate in Fate]
    yield DataTable("Every file once", ("Files", "Count", "Share"), rows, frozenset({1, 2}))


def _decisions(overview: Overview) -> Iterator[Block]:
    flow = overview.flow
    if not flow.files:
        return
    yield Heading("Decisions and reasons")
    rows = [(name, f"{flow.feet[name]:,}", share(flow.feet[name], flow.feet_found)) for name in OUTCOMES]
    yield DataTable("Feet by decision", ("Decision", "Feet", "Share"), rows, frozenset({1, 2}))
    if not overview.reasons:
        yield Paragraph("No row of the tables states a reason.")
        return
    yield DataTable(
        "Rows of feet.csv by kind of reason; a row may state several",
        ("Kind", "Code", "Feet in review", "Feet refused", "Files without a foot", "Remark on accepted", "Most often"),
        [
            (
                one.kind.words,
                one.kind.value,
                *(f"{count:,}" for count in (one.review, one.refused, one.files, one.accepted)),
                one.example,
            )
            for one in overview.reasons
        ],
        frozenset({2, 3, 4, 5}),
    )
    yield Paragraph(
        "The last column is the sentence of that kind that stands most often in the tables, with its numbers."
    )


def _measures(overview: Overview) -> Iterator[Block]:
    run = overview.run
    if not overview.groups[0].rows.any():
        if overview.flow.files:
            yield Heading("Measures")
            yield Paragraph("No foot was measured, so there are no numbers.")
        return
    yield Heading("Measures")
    yield Paragraph(NO_SAMPLE, caution=True)
    unproven = [measure.abbreviation for measure in run.measures if measure.name not in run.proven]
    if unproven:
        yield Paragraph(
            f"Unproven: {', '.join(unproven)}. The error of these measures on bones that no generator drew is unknown "
            "or too large (configs/proof.yaml).",
            caution=True,
        )
    for place in range(len(run.measures)):
        yield from _measure(overview, place)


def _measure(overview: Overview, place: int) -> Iterator[Block]:
    run = overview.run
    measure = run.measures[place]
    marks = [] if measure.name in run.proven else ["unproven"]
    marks += ["low confidence"] if measure.low_confidence else []
    yield Heading(f"{measure.abbreviation}: {measure.title}" + (f" ({', '.join(marks)})" if marks else ""), 3)
    spreads = [one for one in overview.spreads if one.measure == measure.name]
    if measure.caution:
        yield Paragraph(measure.caution)
    known = published(measure.name)
    values = run.values[:, place, 0]
    by_decision = {group.name: group.rows for group in overview.groups if group.by == "decision"}
    accepted, review = (values[by_decision[one.value]] for one in (Outcome.ACCEPTED, Outcome.REVIEW))
    picture = measure_picture(
        measure, accepted[np.isfinite(accepted)], review[np.isfinite(review)], spreads, known.drawn
    )
    if picture is not None:
        yield picture
    yield DataTable(
        f"{measure.abbreviation} in {unit_word(measure.unit)}, by construction {measure.construction}",
        ("Feet", "Number", *(f"{percent:.0f} %" if percent != 50.0 else "Median" for percent in PERCENTILES)),
        [
            (
                label(one),
                f"{one.feet:,}",
                *("" if np.isnan(value) else number(value, measure.unit) for value in one.percentiles),
            )
            for one in spreads
        ],
        frozenset(range(1, 2 + len(PERCENTILES))),
    )
    missing = [
        f"{counted(feet, 'foot', 'feet')}: {why.words if why else 'no reason kept'}"
        for (name, why), feet in sorted(overview.withheld.items(), key=lambda one: -one[1])
        if name == measure.name
    ]
    if missing:
        yield Paragraph(f"Withheld. {'; '.join(missing)}.")
    if known.says:
        yield Paragraph(f"Published on {measure.abbreviation}; no source says that it fits these films:")
        yield Bullets(known.says)
    else:
        yield Paragraph(f"No published range of {measure.abbreviation} is known here.")


def _time(overview: Overview) -> Iterator[Block]:
    work, ledger = overview.work, overview.ledger
    yield Heading("Time")
    if work.wall_seconds is not None and work.films_per_minute is not None:
        yield Paragraph(
            f"All calls of the command took {duration(work.wall_seconds)} together: "
            f"{work.films_per_minute:,.0f} files a minute."
        )
    spent = sum(work.seconds_by_stage.values())
    if spent > 0.0:
        yield DataTable(
            "Where time went",
            ("Stage", "Time", "Share"),
            [
                (stage, duration(seconds), f"{100.0 * seconds / spent:.1f} %")
                for stage, seconds in sorted(work.seconds_by_stage.items(), key=lambda one: -one[1])
            ],
            frozenset({1, 2}),
        )
        yield Paragraph(
            "Stages of all processes are added up, those that overlap each in full, so that they can be longer than "
            "the run took."
        )
    if ledger.why:
        yield Paragraph(f"Times of single films and calls are not known: {ledger.why}.")
        return
    if ledger.sessions:
        yield DataTable(
            "Calls of the command that read films (UTC)",
            ("Begun", "Last sign of life", "Time", "Files read", "Of", "State"),
            [
                (one.began, one.last, duration(one.seconds), f"{one.films:,}", f"{one.total:,}", one.stage)
                for one in ledger.sessions
            ],
            frozenset({2, 3, 4}),
        )
    if ledger.seconds:
        half, most, nearly, longest = (duration(one) for one in ledger.seconds)
        within = [f"half took at most {half}"]
        within += [f"95 % at most {most}"] if ledger.films >= _FILES_FOR_95 else []
        within += [f"99 % at most {nearly}"] if ledger.films >= _FILES_FOR_99 else []
        yield Paragraph(
            f"Of {counted(ledger.films, 'file')} with a time, {', '.join(within)}; the slowest took {longest}."
        )
        yield DataTable(
            "Slowest files",
            ("File", "Seconds"),
            [(name, f"{seconds:.1f}") for name, seconds in ledger.slowest],
            frozenset({1}),
        )


def _unread(overview: Overview) -> Iterator[Block]:
    count = overview.flow.fates[Fate.UNREADABLE]
    yield Heading("Files that could not be read")
    if not count:
        yield Paragraph("None.")
        return
    first = f"The first {UNREAD} of {count:,} files" if count > UNREAD else counted(count, "file")
    yield DataTable(f"{first}, in the order of the tables", ("File", "Why"), overview.unread)
    if count > UNREAD:
        yield Paragraph("The others stand in feet.csv.")


def _read_by(overview: Overview) -> Iterator[Block]:
    run, work = overview.run, overview.work
    recorded = run.recorded
    yield Heading("Read by")
    rows = [(f"weights {name}", digest) for name, digest in sorted(recorded.digests.weights.items())]
    rows.append(("protocol, SHA-256", recorded.protocol.sha256))
    rows += [(name, version) for name, version in sorted(work.versions.items())]
    rows += [(name, str(value)) for name, value in sorted(work.machine.items())]
    yield DataTable("What the numbers depend on besides the films", ("What", "Which"), rows)
    if notes := run.changes():
        yield Paragraph("Since the run:")
        yield Bullets(notes)

"""The comparison itself: from a run and tables of reads to figures."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from raysplay.configs.grades import scheme
from raysplay.configs.proof import proofs
from raysplay.infer.agreement.config import agreement_settings
from raysplay.infer.agreement.feet import NOT_FOUND, NOT_READ, Run, StudyReads, open_run, study_reads
from raysplay.infer.agreement.figures import EVERYBODY, MEAN, SPREAD, MeasureInput, comparisons, measure_result
from raysplay.infer.agreement.flow import flow
from raysplay.infer.agreement.hidden_names import under_identifiers
from raysplay.infer.agreement.planned import PlannedStudy, plans_of_figures
from raysplay.infer.agreement.reads import ReadOptions, UnusedRow, read_reads
from raysplay.infer.agreement.result import Agreement, MeasureResult
from raysplay.infer.agreement.slips import Slip, slips
from raysplay.infer.named_films import named_films
from raysplay.infer.outputs.finished_run import read_run as read_finished
from raysplay.infer.records import Outcome
from raysplay.infer.user_table import UserTableError
from raysplay.measure import by_name


@dataclass(frozen=True)
class AgreementOptions:
    """How a comparison is made.

    Attributes
    ----------
    reading : ReadOptions
        How the tables are to be taken.
    grades : str, optional
        Published scheme; that of ``agreement.yaml`` by default.
    margins : mapping of str to float
        Margin of interchangeability by measure, stated beforehand, in its unit.
    thresholds : mapping of str to float
        Values at which sensitivity and specificity are given; else the borders of the scheme.
    bounds : mapping of str to float
        Mean absolute error that may stay by measure: the share to review for it is sought.
    plan_limits, plan_widths : mapping of str to float
        How well limits of agreement, and how narrow the interval of the intraclass correlation, a next study shall have
        by measure: films and readers for it are counted.
    go_on : bool
        Go on though tables hold what looks like slips.
    command : str
        As it was called, for the report.
    name_key, films : Path, optional
        For a run under a key for names: file of the key, folder of the films that the tables name.
    processes : int
        That share a large study. More than one only from a program that may be imported again: each process does.
    shared_from : int
        Numbers from which on a study counts as large.
    """

    reading: ReadOptions = field(default_factory=ReadOptions)
    grades: str | None = None
    margins: Mapping[str, float] = field(default_factory=dict)
    thresholds: Mapping[str, float] = field(default_factory=dict)
    bounds: Mapping[str, float] = field(default_factory=dict)
    plan_limits: Mapping[str, float] = field(default_factory=dict)
    plan_widths: Mapping[str, float] = field(default_factory=dict)
    go_on: bool = False
    command: str = ""
    name_key: Path | None = None
    films: Path | None = None
    processes: int = 1
    shared_from: int = 20_000


class AgreementStoppedError(Exception):
    """Tables hold what looks like slips; figures would be wrong with them.

    Attributes
    ----------
    said : tuple of str
        One sentence a slip.
    """

    def __init__(self, said: Sequence[str]) -> None:
        super().__init__("; ".join(said))
        self.said = tuple(said)


def agreement_of(
    run: Path | None,
    reads: Sequence[Path],
    options: AgreementOptions,
    say: Callable[[str], None] = lambda line: None,
) -> Agreement:
    """Compare a run with reads, and readers with each other.

    Parameters
    ----------
    run : Path or None
        Folder of a finished run.
    reads : sequence of Path
    options : AgreementOptions
    say : callable
        Gets what was understood of the tables, line by line, before anything is reckoned.

    Raises
    ------
    UserTableError
        If a table cannot be used.
    RunError
        If the run cannot be read.
    AgreementStoppedError
        If something looks like a slip and ``go_on`` is not set.
    NameKeyError, NamesHiddenError
        If ``name_key`` is not that of the run.
    """
    settings = agreement_settings()
    name = options.grades or settings.grades
    try:
        scheme(name)
    except KeyError as error:
        raise UserTableError(f"{error.args[0]} (--grades)") from error
    opened = None if run is None else open_run(run)
    tables = read_reads(reads, options.reading)
    for line in tables.shown:
        say(line)
    if run is not None and options.name_key is not None:
        hidden = named_films(read_finished(run), options.name_key, options.films or Path())
        assert hidden is not None
        tables = under_identifiers(tables, hidden)
        options = replace(options, command="")
    study, left = study_reads(tables, opened)
    unused = (*tables.unused, *left)
    for reason, count in Counter(row.kind.value for row in unused).most_common(10):
        say(f"  not used: {count} rows or cells: {reason}")
    found = slips(study, settings.slips)
    said = [*_cells(unused), *(one.said for one in found if one.stops)]
    if said and not options.go_on:
        raise AgreementStoppedError(said)
    asked = (options.margins, options.thresholds, options.bounds, options.plan_limits, options.plan_widths)
    unknown = {name for one in asked for name in one} - set(study.measures)
    if unknown:
        raise UserTableError(f"nobody read {', '.join(sorted(unknown))}, which an option names")
    inputs = [_input(study, measure, name, options) for measure in study.measures]
    if not any(comparisons(one) or np.isfinite(one.readings).sum(axis=2).max() > 1 for one in inputs):
        raise UserTableError(
            f"{', '.join(tables.rows)}: one reader ({study.readers[0]}), no foot read twice, and no number of a run: "
            "there is nothing to compare with"
        )
    numbers = sum(int(np.isfinite(values).sum()) for values in study.readings.values())
    results = _reckoned(inputs, options.processes if numbers >= options.shared_from else 1)
    return Agreement(
        study,
        opened,
        tables,
        unused,
        found,
        flow(tables, study, opened, unused),
        results,
        tuple(_cautions(study, opened, unused, found)),
        _unproven(study, opened),
        name,
        settings.level,
        dict(options.margins),
        options.command,
        tuple(_plans(results, options, settings.level)),
    )


def _plans(results: Sequence[MeasureResult], options: AgreementOptions, level: float) -> Iterator[PlannedStudy]:
    figures = [figure for result in results for figure in result.figures]
    yield from plans_of_figures(figures, options.plan_limits, options.plan_widths, SPREAD, MEAN, EVERYBODY, level)


def _cells(unused: Sequence[UnusedRow]) -> Iterator[str]:
    """Rows and cells that should have given a number, each by its place."""
    for row in unused:
        if row.slip:
            yield f"{row.table}: line {row.line}: {row.reason}"


def _input(study: StudyReads, measure: str, grades: str, options: AgreementOptions) -> MeasureInput:
    return MeasureInput(
        measure,
        study.readers,
        study.sessions,
        study.readings[measure],
        study.tool[measure],
        study.tool_low[measure],
        study.tool_high[measure],
        study.groups,
        study.again,
        np.array([foot.decision for foot in study.feet]),
        np.array([foot.side for foot in study.feet]),
        np.array([foot.fact.sex for foot in study.feet]),
        np.array([foot.fact.site for foot in study.feet]),
        np.array([foot.pixel_mm for foot in study.feet]),
        grades,
        options.margins.get(measure),
        options.thresholds.get(measure),
        options.bounds.get(measure),
    )


def _reckoned(inputs: Sequence[MeasureInput], processes: int) -> tuple[MeasureResult, ...]:
    """Results of all measures, shared among processes."""
    workers = min(processes, os.cpu_count() or 1, len(inputs))
    if workers < 2:
        return tuple(map(measure_result, inputs))
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        return tuple(pool.map(measure_result, inputs))


def _unproven(study: StudyReads, run: Run | None) -> tuple[str, ...]:
    """Measures whose error is unknown on bones that no generator drew, with the run's weights."""
    if run is None:
        return ()
    built = [by_name(name, run.archive.constructions[name]) for name in study.measures]
    proven = proofs().proven(built, run.archive.digests)
    return tuple(one.name for one in built if one.name not in proven)


def _cautions(study: StudyReads, run: Run | None, unused: Sequence[UnusedRow], found: Sequence[Slip]) -> Iterator[str]:
    few = agreement_settings().few_feet
    films = len({foot.film for foot in study.feet})
    if films < few:
        yield (
            f"This study holds {films} films. With fewer than {few} films each film moves every figure, and intervals "
            "rest on assumptions that cannot be checked; do not decide by it."
        )
    if run is not None:
        count = Counter(foot.decision for foot in study.feet)
        missed = {
            "refused by the run": count[Outcome.REFUSED.value],
            "not found by the run": count[NOT_FOUND],
            "on films that could not be read": count[NOT_READ],
        }
        if any(missed.values()):
            listed = ", ".join(f"{number} {what}" for what, number in missed.items() if number)
            yield (
                f"Of {len(study.feet)} feet that people read, {listed}: they have no part in the differences. Errors "
                "are known only for feet that the tool measured."
            )
        withheld = {
            by_name(name).abbreviation: int(
                sum(
                    np.isfinite(study.readings[name][i]).any()
                    and not np.isfinite(study.tool[name][i])
                    and foot.decision in (Outcome.ACCEPTED.value, Outcome.REVIEW.value)
                    for i, foot in enumerate(study.feet)
                )
            )
            for name in study.measures
        }
        if any(withheld.values()):
            listed = ", ".join(f"{name} on {number}" for name, number in withheld.items() if number)
            yield f"Withheld by the run though a person read it: {listed} feet."
    cells = sum(row.slip for row in unused)
    if cells:
        yield f"{cells} rows or cells of the tables could not be used and were left out (not_used.csv)."
    stopping = [one.said for one in found if one.stops]
    if stopping:
        yield (
            "The tables hold what looks like slips, and the command was told to go on: figures are wrong if they are. "
            + "; ".join(stopping)
        )

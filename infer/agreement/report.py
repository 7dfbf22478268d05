"""The report: what was compared, what became of every film, figures, plots, methods, and reporting checklists."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from raysplay.configs.grades import scheme
from raysplay.infer.agreement.checklist import filled, guidelines
from raysplay.infer.agreement.config import agreement_settings
from raysplay.infer.agreement.figures import ACCEPTED, ALL, EVERYBODY, LOWER, MEAN, UPPER
from raysplay.infer.agreement.planned import NOT_ENOUGH
from raysplay.infer.agreement.result import Agreement, Confusion, Figure, MeasureResult
from raysplay.infer.agreement.statistics.cluster_bootstrap import SAMPLES, SEED
from raysplay.infer.agreement.statistics.planning import RUNS
from raysplay.infer.report.document import Block, Bullets, DataTable, Heading, NewPage, Paragraph, Picture
from raysplay.measure import by_name
from raysplay.measure.definition import DEGREE

TITLE = "Agreement of measurements on foot films"

NOT_A_DEVICE = (
    "Raysplay is not a medical device and makes no diagnosis. A person confirms every number that is used in care. "
    "Agreement with readers is no proof of truth: readers may share an error with each other and with the tool, and "
    "these figures hold for films, readers and settings like these, and for no others."
)

_ROWS_IN_REPORT = 40
"""Rows of ``not_used.csv`` that the report shows; the rest is counted."""

_CONFUSIONS_SHOWN = 3
"""Tables of grades of a measure in the report; all are in ``grades/``."""

_LIBRARIES = ("raysplay", "numpy", "scipy", "matplotlib", "reportlab", "torch")


def report_blocks(
    agreement: Agreement, pictures: Mapping[str, Sequence[Picture]], diagram: Picture | None = None
) -> list[Block]:
    """The whole report; ``pictures`` by measure, ``diagram`` of the flow of films."""
    return [*_blocks(agreement, pictures, diagram)]


def _blocks(
    agreement: Agreement, pictures: Mapping[str, Sequence[Picture]], diagram: Picture | None
) -> Iterator[Block]:
    study = agreement.study
    yield Heading(TITLE, 1)
    yield Paragraph(_what(agreement))
    yield Paragraph(NOT_A_DEVICE, caution=True)
    for caution in agreement.cautions:
        yield Paragraph(caution, caution=True)
    yield Heading("Main figures")
    yield from _main(agreement)
    yield Heading("Flow of films and feet")
    if diagram is not None:
        yield diagram
    yield from _flow(agreement)
    for result in agreement.results:
        yield NewPage()
        yield from _of_measure(agreement, result, pictures.get(result.measure, ()))
    if agreement.plans:
        yield from _planning(agreement)
    yield NewPage()
    yield Heading("Methods")
    yield from _methods(agreement)
    yield Heading("Reporting checklists")
    answers = _answers(agreement)
    for guideline in guidelines():
        yield DataTable(
            f"{guideline.title} ({guideline.name}): {guideline.source}. Items in own short words",
            ("Item", "What it asks", "In this report"),
            [*filled(guideline, answers)],
            weights=(5, 45, 50),
        )
    if study.other_side or agreement.slips:
        yield Heading("What looks like a slip in the tables")
        yield Bullets([one.said for one in agreement.slips])


def _what(agreement: Agreement) -> str:
    study = agreement.study
    who = f"{len(study.readers)} reader{'s' * (len(study.readers) != 1)} ({_some(study.readers, 8)})"
    often = f"in {len(study.sessions)} sessions" if len(study.sessions) > 1 else "once"
    films = len({foot.film for foot in study.feet})
    compared = (
        f'compared with the run "{agreement.run.folder.absolute().name}"'
        if agreement.run is not None
        else "compared with each other; no run of the tool is part of this"
    )
    names = ", ".join(by_name(name).abbreviation for name in study.measures)
    return f"{names} of {len(study.feet)} feet on {films} films, read {often} by {who}, {compared}."


_MAIN = ("bias", LOWER, UPPER, "mean absolute error")


def _main(agreement: Agreement) -> Iterator[Block]:
    """A table a reader looks at first: bias and limits of tool and readers, all feet and accepted ones."""
    rows: list[list[str]] = []
    for result in agreement.results:
        by_key: dict[tuple[str, str], dict[str, Figure]] = defaultdict(dict)
        for figure in result.figures:
            if figure.statistic in _MAIN:
                by_key[figure.reader, figure.feet][figure.statistic] = figure
        for (reader, feet), found in sorted(by_key.items(), key=lambda item: item[0][0] != MEAN):
            if feet not in (ALL, ACCEPTED):
                continue
            unit = by_name(result.measure).unit
            rows.append(
                [
                    _marked(agreement, result.measure),
                    reader,
                    feet,
                    _count(next(iter(found.values()))),
                    *(_number(found.get(name), unit) for name in _MAIN),
                ]
            )
    yield DataTable(
        "Bias, 95 % limits of agreement and mean absolute error, with intervals"
        if agreement.level == 0.95
        else "Bias, limits of agreement and mean absolute error, with intervals",
        ("Measure", "Compared", "Feet", "n", "Bias", "Lower limit", "Upper limit", "Mean absolute error"),
        rows,
        numbers=frozenset({3}),
        weights=(8, 19, 9, 6, 19, 20, 19, 19),
    )
    notes = [
        "Differences are tool less reader, or first less second reader. Lengths of intervals tell how well a figure is "
        "known; the limits of agreement tell how far two single readings lie apart."
    ]
    if agreement.unproven:
        notes.append(
            "\u2020 unproven: the error of this measure on bones that no generator drew is unknown or too large "
            "(configs/proof.yaml)."
        )
    few = agreement_settings().few_feet
    if any(_is_few(one) for result in agreement.results for one in result.figures if one.statistic in _MAIN):
        notes.append(f"* fewer than {few} films or feet stand behind this figure: each of them moves it.")
    yield Bullets(notes)


def _is_few(figure: Figure) -> bool:
    return 0 < figure.n < agreement_settings().few_feet


def _count(figure: Figure) -> str:
    return f"{figure.n}{' *' if _is_few(figure) else ''}"


def _marked(agreement: Agreement, measure: str) -> str:
    return by_name(measure).abbreviation + (" \u2020" if measure in agreement.unproven else "")


def _number(figure: Figure | None, unit: str = "") -> str:
    """A value with its interval; where there is none, why."""
    if figure is None:
        return ""
    if not np.isfinite(figure.value):
        return f"not given: {figure.why}"
    digits = 3 if unit == "ratio" or any(word in figure.statistic for word in _PURE) else 2
    if figure.statistic.startswith("films for"):
        digits = 0
    said = _plain(figure.value, digits)
    if np.isfinite(figure.low) and np.isfinite(figure.high):
        said += f" ({_plain(figure.low, digits)} to {_plain(figure.high, digits)})"
    return said


def _plain(value: float, digits: int) -> str:
    """A number with a minus sign that does not break from it, and no sign at zero."""
    said = f"{value:.{digits}f}"
    return said.removeprefix("-") if float(said) == 0.0 else said.replace("-", "\u2212")


def _flow(agreement: Agreement) -> Iterator[Block]:
    yield DataTable(
        "Films, feet and numbers: what was found, matched, compared, or left out",
        ("What", "Count", "Unit", "Of", ""),
        [
            [one.what, str(one.count), one.unit, one.of, "left out" if one.out else ""]
            for one in agreement.flow
            if one.count or not one.out
        ],
        numbers=frozenset({1}),
        weights=(40, 8, 14, 28, 10),
    )
    if agreement.unused:
        listed = agreement.unused[:_ROWS_IN_REPORT]
        yield DataTable(
            f"Rows and cells that gave no number ({len(agreement.unused)}; all are in not_used.csv)",
            ("Table", "Line", "Film", "Foot", "Reader", "Measure", "Why"),
            [
                [Path(one.table).name, str(one.line), one.film, one.foot, one.reader, one.measure, one.reason]
                for one in listed
            ],
            numbers=frozenset({1}),
            weights=(15, 6, 20, 5, 8, 8, 38),
        )


def _of_measure(agreement: Agreement, result: MeasureResult, pictures: Iterable[Picture]) -> Iterator[Block]:
    measure = by_name(result.measure)
    unit = "degrees" if measure.unit == DEGREE else measure.unit
    built = agreement.study.constructions.get(result.measure)
    yield Heading(f"{measure.abbreviation}: {measure.title}")
    said = f"By {built} axes. " if built else "How the axes were drawn is not stated. "
    if result.measure in agreement.unproven:
        said += "Unproven: the error of the tool on bones that no generator drew is unknown or too large. "
    yield Paragraph(f"{said}Unit: {unit}.")
    yield from pictures
    groups: dict[tuple[str, str], list[Figure]] = defaultdict(list)
    for figure in result.figures:
        groups[figure.reader, figure.feet].append(figure)
    in_full = {EVERYBODY, MEAN if (MEAN, ALL) in groups else next((r for r, f in groups if f == ALL), "")}
    in_full |= {reader for reader, _ in groups if reader.endswith((" again", ", new films"))}
    for (reader, feet), figures in groups.items():
        if reader not in in_full or feet not in (ALL, ACCEPTED):
            continue
        yield DataTable(
            f"{measure.abbreviation}, {reader}, {'all feet' if feet == 'all' else feet}",
            ("Figure", "Value (interval)", "n", "Method and what it assumes"),
            [
                [
                    one.statistic,
                    _number(one, measure.unit),
                    _count(one),
                    _stands_on(one),
                ]
                for one in figures
                if _is_shown(one)
            ],
            numbers=frozenset({2}),
            weights=(26, 26, 7, 41),
        )
    yield from _in_short(measure.abbreviation, measure.unit, groups, in_full)
    for confusion in result.confusions[:_CONFUSIONS_SHOWN]:
        yield _confusion(measure.abbreviation, confusion)
    if len(result.confusions) > _CONFUSIONS_SHOWN:
        more = len(result.confusions) - _CONFUSIONS_SHOWN
        yield Paragraph(f"Grades of {more} more pairs are in the folder grades/.")


_PURE = ("ICC", "concordance", "kappa", "share", "sensitivity", "specificity", "coverage", "slope")
"""What figures without a unit are called; they have three decimals."""


def _stands_on(figure: Figure) -> str:
    """How a figure was made, what must hold, and what to bear in mind with it."""
    parts = [figure.method]
    if figure.assumption:
        parts.append(f"Assumes: {figure.assumption}")
    if figure.why and np.isfinite(figure.value):
        parts.append(f"Note: {figure.why}")
    return ". ".join(part for part in parts if part)


_SHARES_SHOWN = ("0", "10", "20", "30", "50")


def _is_shown(figure: Figure) -> bool:
    """All but shares to review that the plot shows as well."""
    share = re.search(r"left, (\d+) % reviewed", figure.statistic)
    return share is None or share[1] in _SHARES_SHOWN


_SHORT = ("bias", LOWER, UPPER, "mean absolute error", "root mean square error")
"""Figures of the comparisons that are not given in full; agreement.csv has all of them."""


def _in_short(
    measure: str, unit: str, groups: Mapping[tuple[str, str], Sequence[Figure]], in_full: set[str]
) -> Iterator[Block]:
    """Other readers, pairs and groups of feet: a row each."""
    rows = []
    for (reader, feet), figures in groups.items():
        if reader in in_full and feet in (ALL, ACCEPTED):
            continue
        found = {one.statistic: one for one in figures}
        first = found.get("bias") or figures[0]
        rows.append([reader, feet, _count(first), *(_number(found.get(name), unit) for name in _SHORT)])
    if rows:
        yield DataTable(
            f"{measure}: other comparisons and groups of feet (all figures are in agreement.csv)",
            ("Compared", "Feet", "n", "Bias", "Lower limit", "Upper limit", "Mean absolute error", "Root mean square"),
            rows,
            numbers=frozenset({2}),
            weights=(16, 14, 6, 15, 15, 15, 15, 15),
        )


def _planning(agreement: Agreement) -> Iterator[Block]:
    """Films and readers of a next study, by the figures of this one."""
    yield Heading("Planning of a next study")
    yield Paragraph(
        "By the figures found here; where an interval's upper end is given, plan with it. Formulas are checked by "
        f"{RUNS} simulated studies each. Films count as independent: where both feet of a person are read, more are "
        "needed."
    )
    yield DataTable(
        "Films and readers",
        ("Measure", "Wanted", "Expected", "Readers", "By formula", "Simulated at that", "By simulation", "Plan with"),
        [
            [
                by_name(one.measure).abbreviation,
                one.wanted,
                one.expected,
                str(one.plan.readers),
                str(one.plan.films),
                one.simulated,
                str(one.plan.films_by_simulation or NOT_ENOUGH),
                NOT_ENOUGH if one.films is None else str(one.films),
            ]
            for one in agreement.plans
        ],
        numbers=frozenset({3, 4, 6, 7}),
        weights=(9, 20, 24, 8, 9, 20, 10, 9),
    )
    yield Bullets(sorted({f"{one.plan.method}: {one.plan.assumption}. {one.plan.source}" for one in agreement.plans}))


def _confusion(measure: str, confusion: Confusion) -> DataTable:
    return DataTable(
        f"{measure}: grades by {confusion.first} (rows) and {confusion.second} (columns)",
        ("", *confusion.grades),
        [[grade, *map(str, row)] for grade, row in zip(confusion.grades, confusion.counts, strict=True)],
        numbers=frozenset(range(1, len(confusion.grades) + 1)),
    )


def _methods(agreement: Agreement) -> Iterator[Block]:
    study = agreement.study
    grades = scheme(agreement.scheme)
    parts = [
        f"Intervals hold {100 * agreement.level:g} % unless a figure says otherwise. Figures by bootstrap draw "
        f"{SAMPLES} samples of persons (all feet of a person together; a film of an unknown person "
        f"counts as a person), seed {SEED}.",
        "Where a foot was read in several sessions, the first stands for a single one, unless a method takes all "
        "of them. Feet that the run withheld, refused or did not find are counted in the flow and have no part in "
        "differences; figures are given for all feet that the run measured and for those it accepted.",
        f"Grades are those of {grades.title} ({grades.cited}).",
        "Left feet are mirrored by the tool; signs do not depend on the side. Axis methods are never mixed.",
    ]
    if agreement.margins:
        stated = ", ".join(f"{by_name(n).abbreviation} {v:g} {by_name(n).unit}" for n, v in agreement.margins.items())
        parts.append(f"Margin of interchangeability, stated when the command was called: {stated}.")
    yield Paragraph(" ".join(parts))
    rows = [["program", f"{name} {_version(name)}"] for name in _LIBRARIES if _version(name)]
    rows.append(["program", f"Python {platform.python_version()}"])
    if agreement.command:
        rows.append(["command", agreement.command])
    if agreement.run is not None:
        rows.append(["run", f"run.json, SHA-256 {digest(agreement.run.folder / 'run.json')}"])
        rows += [["run", f"{name}, SHA-256 {value}"] for name, value in agreement.run.archive.digests.items()]
    rows += [["reads", f"{path.name}, SHA-256 {digest(path)}"] for path in agreement.tables.paths]
    built = [f"{by_name(n).abbreviation} {study.constructions.get(n, 'not stated')}" for n in study.measures]
    rows.append(["axes", ", ".join(built)])
    yield DataTable("Versions and digests", ("Of", "What"), rows, weights=(12, 88))
    yield DataTable(
        "How the tables of reads were understood", ("In the order given",), [[line] for line in agreement.tables.shown]
    )
    sources = sorted({one.source for result in agreement.results for one in result.figures if one.source})
    yield DataTable("Sources of the formulas", ("Source",), [[source] for source in sources])


def _version(name: str) -> str:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return ""


def digest(path: Path) -> str:
    """SHA-256 of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _answers(agreement: Agreement) -> dict[str, str]:
    study, run = agreement.study, agreement.run
    numbers = sum(int(np.isfinite(values).sum()) for values in study.readings.values())
    films = len({foot.film for foot in study.feet})
    device = f"Raysplay {_version('raysplay')}; weights and settings by digest under Methods" if run is not None else ""
    sessions = f"{len(study.sessions)} sessions" if len(study.sessions) > 1 else "no repeats"
    return {
        "device": device or "no tool is part of this comparison; for the authors to write",
        "process": f"{sessions}; time between them and blinding: for the authors to write",
        "independence": "not known from the tables; for the authors to write",
        "methods": "see Methods and the column beside every figure",
        "sample": f"{len(study.readers)} readers, {len(study.feet)} feet, {films} films, {sessions}, {numbers} numbers",
        "estimates": "see the section of each measure, and agreement.csv",
        "uncertainty": f"intervals of {100 * agreement.level:g} % with every figure that has one",
        "details": "agreement.csv, reads_used.csv and the data behind every plot",
        "missing": "left out and counted: see the flow and not_used.csv; nothing is filled in",
        "reference": "readings of the named readers, and their mean; no truth beyond them",
        "readers": f"{_some(study.readers, 8)}; their training: for the authors to write",
        "variability": "between readers and, with repeats, within each: see the section of each measure",
        "flow": "see Flow of films and feet",
        "failures": "feet far apart are named under slips; withheld, refused and missed feet are counted in the flow",
        "software": "versions and digests under Methods",
    }


def _some(names: Sequence[str], most: int) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")

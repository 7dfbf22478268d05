"""Writes a suite as ``suite.csv``, ``suite.json``, ``suite.md`` and plots."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from raysplay.infer.compare.errors import ErrorFigures
from raysplay.infer.compare.report import plain
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import OUTCOMES
from raysplay.measure import by_name
from raysplay.train.suite.figures import ConditionFigures, SuiteFigures
from raysplay.train.suite.folder import REPORT, replace_json
from raysplay.train.suite.plots import plot_names, write_plots
from raysplay.train.suite.real_list import RealFigures

_SHARES = ("found", "side_right", "accepted", "review", "review_sound", "refused", "own_reason")
_COMMONEST = 4
"""Reasons shown of each condition."""


@dataclass(frozen=True)
class SuiteRun:
    """How a suite was made: films a condition, seed, version of the program, seconds by stage, digests of weights and
    configurations, level of the intervals, limits of the shares of small errors; what real films gave; and the films
    written, below the folder of the suite."""

    films: int
    seed: int
    version: str
    seconds: Mapping[str, float]
    digests: Mapping[str, str]
    level: float
    within: tuple[float, ...]
    real: tuple[RealFigures, ...] = field(default=())
    wrote: tuple[str, ...] = field(default=())


def write_suite_report(figures: SuiteFigures, made: SuiteRun, folder: Path) -> None:
    """Write tables and text into ``folder``, then the plots: whatever becomes of these, the figures are kept."""
    plots, (described, rows, text) = plot_names(figures), REPORT
    with (folder / rows).open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(figures.rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows({name: _cell(value) for name, value in row.items()} for row in figures.rows)
    content = {
        "finished": True,
        "wrote": list(made.wrote),
        "made": {name: value for name, value in asdict(made).items() if name != "wrote"},
        "targets": [
            {**check.target.model_dump(exclude={"of"}), "condition": check.condition}
            | {"figure": check.figure, "low": check.low, "high": check.high, "met": check.met}
            for check in figures.checks
        ],
        "conditions": list(figures.rows),
        "together": asdict(figures.together) if figures.together is not None else None,
        "risk_coverage": {
            name: {"kept": curve.kept.tolist(), "risk": curve.risk.tolist(), "area": curve.area, "least": curve.least}
            for name, curve in figures.curves.items()
        },
        "reasons": {
            one.name: [{"outcome": outcome, "reason": kind.value, "count": n} for (outcome, kind), n in _ranked(one)]
            for one in figures.conditions
        },
    }
    (folder / text).write_text("\n".join(_text(figures, made, plots)) + "\n", encoding="utf-8")
    replace_json(folder / described, plain(content))
    write_plots(figures, made.level, folder)


def target_lines(figures: SuiteFigures) -> list[list[str]]:
    """Column, condition, what is wanted, what was reached, whether it is met, and whose target it is."""
    return [
        [
            check.target.column,
            check.condition,
            check.target.words,
            f"{_number(check.figure, 3)} ({_number(check.low)} to {_number(check.high)})",
            "met" if check.met else "not met",
            check.target.source,
        ]
        for check in figures.checks
    ]


def _text(figures: SuiteFigures, made: SuiteRun, plots: Sequence[str]) -> Iterable[str]:
    limits = [f"within {limit:g}°" for limit in made.within]
    yield from _opening(made)
    yield "## Targets\n"
    yield "Met or not by the figure itself; the interval in brackets says how far so many films can tell.\n"
    yield from _table(["Figure", "Condition", "Wanted", "Reached", "", "Source"], target_lines(figures))
    yield from _outcomes(figures)
    yield from _errors_by_condition(figures, limits)
    yield from _errors_by_severity(figures, limits)
    yield from _errors_that_stay(figures)
    yield from _reasons(figures)
    yield from _real(made)
    yield "## Plots\n"
    yield from (f"![{name}]({name})" for name in plots)


def _opening(made: SuiteRun) -> Iterable[str]:
    """How the suite was made, and what its figures are."""
    spent = ", ".join(f"{stage} {seconds:.0f} s" for stage, seconds in made.seconds.items())
    weights = ", ".join(f"{name} {sha[:12]}" for name, sha in made.digests.items() if name.endswith(".safetensors"))
    yield "# Evaluation suite\n"
    yield f"raysplay {made.version}; {made.films} films a condition, seed {made.seed}; {spent}."
    yield f"Weights (SHA-256): {weights}."
    yield f"Again: `raysplay evaluate --suite --n {made.films} --seed {made.seed} --out DIR`.\n"
    yield (
        "Generated films show no person and prove nothing about patients. Errors are degrees, read minus true, on "
        "landmarks projected from the bones. Intervals in brackets are 95 %: of means by bootstrap of films, of shares "
        "by Wilson.\n"
    )


def _outcomes(figures: SuiteFigures) -> Iterable[str]:
    """What became of the feet, a row a condition."""
    yield "## What became of the feet\n"
    yield (
        "Where feet shall be measured, shares are of dorsoplantar feet; a foot that was not found counts as refused. "
        "Of sound feet: sent to review, of those with nothing wrong by the truth (toes may lie over each other in any "
        "condition). "
        "Where they shall be turned away, shares are of films, a film counted as its most accepted foot; own reason: "
        "for a reason that fits the condition.\n"
    )
    yield from _table(
        [
            *("Condition", "Expected", "Films", "Feet", "Found", "Side right"),
            *("Accepted", "Review", "Of sound feet", "Refused", "Own reason", "Extra feet"),
        ],
        [
            [
                str(row["condition"]),
                str(row["expect"]),
                str(row["films"]),
                str(row["feet"]),
                *(_share(row, name) for name in _SHARES),
                str(row["extra_feet"]),
            ]
            for row in figures.rows
        ],
    )


def _errors_by_condition(figures: SuiteFigures, limits: Sequence[str]) -> Iterable[str]:
    """Errors of all measured and of accepted feet, a row a condition and measure."""
    yield "## Errors by condition\n"
    yield from _table(
        [*_head("Condition", limits), "Accepted", "MAE of accepted", *limits, "Coverage"],
        [
            [*_errors(one.name, measure, all_feet), *_accepted(one, measure)]
            for one in figures.conditions
            for measure, all_feet in one.figures("all measured").items()
            if all_feet.n
        ],
    )


def _errors_by_severity(figures: SuiteFigures, limits: Sequence[str]) -> Iterable[str]:
    """Errors by band of true HVA; nothing where no condition shall be measured."""
    if figures.together is None:
        return
    yield "## Errors by severity\n"
    yield "All conditions in which feet shall be measured, by true HVA (common practice, no source).\n"
    yield from _table(
        _head("Feet", limits),
        [
            _errors(group.group, measure, one)
            for group in figures.together.groups
            for measure, one in group.measures.items()
            if one.n
        ],
    )


def _errors_that_stay(figures: SuiteFigures) -> Iterable[str]:
    """Error of the feet that stay where those with wide intervals are sent away, a row a measure."""
    yield "## Error among the feet that stay\n"
    yield (
        "Feet are sent away in order of the width of their interval, the widest first. Area: mean of the error over "
        "all shares that stay; it is at least what sending away by the true error would give, and about the error of "
        "all where widths tell nothing.\n"
    )
    yield from _table(
        ["Measure", "Feet", "Error of all", "of the surest 80 %", "of the surest half", "Area", "Least possible"],
        [
            [
                by_name(name).abbreviation,
                str(len(curve.risk)),
                *(_number(curve.risk[math.ceil(share * len(curve.risk)) - 1]) for share in (1.0, 0.8, 0.5)),
                _number(curve.area),
                _number(curve.least),
            ]
            for name, curve in figures.curves.items()
        ],
    )


def _reasons(figures: SuiteFigures) -> Iterable[str]:
    """The commonest reasons of each condition."""
    yield "## Reasons\n"
    yield f"The {_COMMONEST} commonest of each condition; all of them in suite.json.\n"
    yield from _table(
        ["Condition", "Outcome", "Reason", "Feet or films"],
        [
            [one.name, outcome, kind.words, str(n)]
            for one in figures.conditions
            for (outcome, kind), n in _ranked(one)[:_COMMONEST]
        ],
    )


def _real(made: SuiteRun) -> Iterable[str]:
    """What became of real films; nothing where there are none."""
    if not made.real:
        return
    yield "## Real films without truth\n"
    yield from _table(
        ["Shown", "Films", "Foot measured", "Accepted", "Review", "Refused"],
        [
            [one.kind, str(one.films), str(one.found)] + [str(one.outcomes.get(name, 0)) for name in OUTCOMES]
            for one in made.real
        ],
    )


def _head(first: str, limits: Sequence[str]) -> list[str]:
    return [first, "Measure", "n", "MAE", "Bias", "RMSE", *limits, "Coverage"]


def _errors(first: str, measure: str, f: ErrorFigures) -> list[str]:
    return [
        first,
        by_name(measure).abbreviation,
        str(f.n),
        f"{_number(f.mae)} ({_number(f.mae_low)} to {_number(f.mae_high)})",
        f"{f.bias:+.2f}",
        _number(f.rmse),
        *(_percent(share) for share in f.within.values()),
        f"{_percent(f.coverage)} ({_percent(f.coverage_low)} to {_percent(f.coverage_high)})",
    ]


def _accepted(condition: ConditionFigures, measure: str) -> list[str]:
    f = condition.figures("accepted")[measure]
    return [str(f.n), _number(f.mae), *(_percent(share) for share in f.within.values()), _percent(f.coverage)]


def _ranked(condition: ConditionFigures) -> list[tuple[tuple[str, ReasonKind], int]]:
    return sorted(condition.reasons.items(), key=lambda one: (-one[1], one[0][0], one[0][1].words))


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterable[str]:
    yield f"| {' | '.join(head)} |"
    yield f"|{'---|' * len(head)}"
    for row in rows:
        yield f"| {' | '.join(row)} |"
    yield ""


def _share(row: Mapping[str, float | int | str], name: str) -> str:
    share, low, high = (float(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    return f"{_percent(share)} ({_percent(low)} to {_percent(high)})" if math.isfinite(share) else ""


def _number(value: float, digits: int = 2) -> str:
    return f"{value:.{digits}f}" if math.isfinite(value) else "–"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if math.isfinite(share) else "–"


def _cell(value: float | int | str) -> float | int | str:
    """A cell of the table: four decimals, empty where there is no figure."""
    if isinstance(value, float):
        return round(value, 4) if math.isfinite(value) else ""
    return value

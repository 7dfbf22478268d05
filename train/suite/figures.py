"""All figures of a suite: each condition by itself, and together the conditions in which feet shall be measured."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from raysplay.infer.agreement.statistics.proportion import wilson
from raysplay.infer.compare.errors import ErrorFigures
from raysplay.infer.compare.evaluation import Evaluation, Pairing, evaluate_pairs, pair_feet, readings
from raysplay.infer.compare.run_tables import MeasuredArchive, most_accepted
from raysplay.infer.compare.settings import EvaluationSettings
from raysplay.infer.compare.truth import TrueFoot
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Outcome
from raysplay.train.suite.risk_coverage import RiskCoverage, risk_coverage
from raysplay.train.suite.settings import Expectation, SuiteCondition, Target

ACCEPTED, REVIEW, REFUSED = (outcome.value for outcome in Outcome)
Row = dict[str, float | int | str]

_ENDS = ("_low", "_high")
"""What a column is called that holds an end of another's confidence interval."""


@dataclass(frozen=True)
class ConditionFigures:
    """One condition.

    ``counted`` is what the shares are of: dorsoplantar feet where feet shall be measured, else films. ``outcomes``
    counts them by ``accepted``, ``review`` and ``refused``; a foot that was not found counts as refused, a film as its
    most accepted foot. ``reasons`` counts why feet and films went to review or were refused, by outcome and kind.
    ``own_reason`` is the number of films turned away for a reason that fits the condition.
    """

    name: str
    expect: Expectation
    evaluation: Evaluation
    counted: int
    outcomes: Mapping[str, int]
    reasons: Mapping[tuple[str, ReasonKind], int]
    own_reason: int

    def figures(self, group: str) -> Mapping[str, ErrorFigures]:
        """Error figures of a group of :class:`Evaluation` by measure."""
        return next(one.measures for one in self.evaluation.groups if one.group == group)


@dataclass(frozen=True)
class TargetCheck:
    """A target, one of its conditions, the figure reached with its confidence interval (``nan`` where there is none),
    and whether the figure is enough."""

    target: Target
    condition: str
    figure: float
    low: float
    high: float
    met: bool


@dataclass(frozen=True)
class SuiteFigures:
    """Everything a suite tells.

    ``together`` and ``curves`` (by measure) are over all conditions in which feet shall be measured; ``reasons`` over
    every condition.
    """

    conditions: tuple[ConditionFigures, ...]
    together: Evaluation | None
    curves: Mapping[str, RiskCoverage]
    checks: tuple[TargetCheck, ...]
    rows: tuple[Row, ...]

    @property
    def reasons(self) -> Counter[tuple[str, ReasonKind]]:
        """Reasons of all conditions with their counts."""
        total: Counter[tuple[str, ReasonKind]] = Counter()
        for condition in self.conditions:
            total.update(condition.reasons)
        return total


def suite_figures(
    run: MeasuredArchive,
    truth: Mapping[str, Sequence[TrueFoot]],
    conditions: Sequence[SuiteCondition],
    targets: Iterable[Target],
    settings: EvaluationSettings,
) -> SuiteFigures:
    """Figures of a run over the films of every condition.

    Parameters
    ----------
    run : MeasuredArchive
        Of the films of all conditions.
    truth : mapping of str to sequence of TrueFoot
        By condition.
    conditions : sequence of SuiteCondition
    targets : iterable of Target
        Those of conditions that were not run are left out.
    settings : EvaluationSettings
    """
    matched = {one.name: pair_feet(run, truth[one.name]) for one in conditions}
    figures = tuple(_condition(one, matched[one.name], run, settings) for one in conditions)
    rows = tuple(_row(one, settings) for one in figures)
    good = [matched[one.name] for one in conditions if one.expect == "measure"]
    joined = Pairing(
        tuple(pair for part in good for pair in part.pairs), tuple(foot for part in good for foot in part.extra)
    )
    curves = {}
    for measure in run.constructions:
        known = readings([pair for pair in joined.pairs if pair.true.view == "dp" and pair.found], measure)
        if len(known.films):
            curves[measure] = risk_coverage(known.value - known.truth, known.high - known.low)
    return SuiteFigures(
        figures,
        evaluate_pairs(joined, run, settings) if good else None,
        curves,
        tuple(_checks(targets, rows)),
        rows,
    )


def _condition(
    condition: SuiteCondition, matched: Pairing, run: MeasuredArchive, settings: EvaluationSettings
) -> ConditionFigures:
    films = sorted({pair.true.film for pair in matched.pairs})
    if condition.expect == "measure":
        decisions = [pair.decision for pair in matched.pairs if pair.true.view == "dp" and pair.true.side]
    else:
        decisions = [most_accepted(foot.decision for foot in run.films.get(film, ())) for film in films]
    outcomes = {name: sum(one == name for one in decisions) for name in (ACCEPTED, REVIEW)}
    outcomes[REFUSED] = len(decisions) - sum(outcomes.values())
    given = {film: _reasons(run, film) for film in films}
    return ConditionFigures(
        condition.name,
        condition.expect,
        evaluate_pairs(matched, run, settings),
        len(decisions),
        outcomes,
        Counter(one for reasons in given.values() for one in reasons),
        sum(any(kind in condition.reasons for _, kind in reasons) for reasons in given.values()),
    )


def _reasons(run: MeasuredArchive, film: str) -> list[tuple[str, ReasonKind]]:
    """Outcomes and kinds of why a film or feet on it were not accepted, each once a foot."""
    said = [(foot.decision, foot.reasons) for foot in run.films.get(film, ()) if foot.decision != ACCEPTED]
    if film in run.refused_films:
        said.append((REFUSED, run.refused_films[film]))
    return [(outcome, kind) for outcome, reasons in said for kind in dict.fromkeys(reason.kind for reason in reasons)]


def _row(condition: ConditionFigures, settings: EvaluationSettings) -> Row:
    """A line of ``suite.csv``; shares are 0..1, errors degrees."""
    result = condition.evaluation
    row: Row = {
        "condition": condition.name,
        "expect": condition.expect,
        "films": result.films,
        "feet": result.feet,
    }
    shares = {
        "found": (result.found, result.feet),
        "side_right": (result.sides_right, result.found),
        **{name: (condition.outcomes[name], condition.counted) for name in (ACCEPTED, REVIEW, REFUSED)},
        "review_sound": (result.sound_reviewed, result.sound),
        "own_reason": (condition.own_reason, result.films if condition.expect == "turn away" else 0),
    }
    for name, (part, whole) in shares.items():
        row[name] = part / whole if whole else np.nan
        row |= _ends(name, part, whole, settings)
    row["extra_feet"], row["false_accepts"] = result.extra_feet, result.false_accepts
    for group, infix in (("all measured", ""), (ACCEPTED, "accepted_")):
        for measure, figures in condition.figures(group).items():
            for name, figure in figures.flat().items():
                row[f"{measure}_{infix}{name}"] = figure
            for limit, share in figures.within.items():
                part = round(share * figures.n) if figures.n else 0
                row |= _ends(f"{measure}_{infix}within_{limit:g}", part, figures.n, settings)
    return row


def _ends(name: str, part: int, whole: int, settings: EvaluationSettings) -> Row:
    ends = wilson(part, whole, settings.confidence)
    return {name + end: value for end, value in zip(_ENDS, ends, strict=True)}


def _checks(targets: Iterable[Target], rows: Iterable[Row]) -> Iterable[TargetCheck]:
    by_name = {row["condition"]: row for row in rows}
    for target in targets:
        for name in target.of:
            if name in by_name:
                figure, low, high = (float(by_name[name].get(target.column + end, np.nan)) for end in ("", *_ENDS))
                yield TargetCheck(target, name, figure, low, high, target.met(figure))

"""How often the intervals hold the truth: studies are drawn from known truths, and intervals that hold are counted.

``python -m raysplay.infer.agreement.statistics.simulated_coverage [--runs 2000] [--out FILE] [WORD...]`` prints a table
of statistic, design and share of studies whose 95 % interval holds the truth; words choose lines. 2,000 studies tell a
share of 95 % to within 1 % (binomial, 95 %), so that of a hundred good lines five fall out by chance. Studies are
normal unless a design says otherwise; persons have two feet each, which share half of the variance.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from raysplay.infer.agreement.statistics.accuracy import accuracy
from raysplay.infer.agreement.statistics.bias import bias, mean_absolute_error, root_mean_square_error, share_within
from raysplay.infer.agreement.statistics.concordance import concordance
from raysplay.infer.agreement.statistics.estimate import Estimate
from raysplay.infer.agreement.statistics.interchange import interchangeability
from raysplay.infer.agreement.statistics.intraclass import NAMES, intraclass
from raysplay.infer.agreement.statistics.kappa import fleiss_kappa, weighted_kappa
from raysplay.infer.agreement.statistics.limits import Limits, limits_of_agreement, limits_regression, limits_replicated
from raysplay.infer.agreement.statistics.proportion import proportion
from raysplay.infer.agreement.statistics.regression import deming, passing_bablok
from raysplay.infer.agreement.statistics.repeatability import (
    new_films_any_reader,
    repeat_films,
    standard_error_of_measurement,
    within_subject_sd,
)
from raysplay.infer.agreement.statistics.review_yield import error_against_review

FloatArray = npt.NDArray[np.float64]
Study = Callable[[np.random.Generator], Sequence[Estimate]]

RUNS, SEED = 2000, 11
GOOD = 0.94, 0.96
OUT = "outside of 94 to 96 %"
HEAD = """# Coverage of the intervals

How often the 95 % intervals of `raysplay agreement` hold the truth: {runs} simulated studies a line. Made by
`python -m raysplay.infer.agreement.statistics.simulated_coverage --runs {runs} --out infer/agreement/COVERAGE.md`; not
to be edited by hand. Good are 94 to 96 %; where a line lies outside, its last cell says why.

"""
BIAS, SD = 1.0, 2.0
Z = float(norm.ppf(0.975))
RMS = float(np.hypot(BIAS, SD))
MAE = SD * np.sqrt(2 / np.pi) * np.exp(-((BIAS / SD) ** 2) / 2) + BIAS * (1 - 2 * float(norm.cdf(-BIAS / SD)))
WITHIN = float(norm.cdf((3 - BIAS) / SD) - norm.cdf((-3 - BIAS) / SD))
OF_LIMITS = BIAS, SD, BIAS - Z * SD, BIAS + Z * SD
LIMITS = tuple(f"limits of agreement: {name}" for name in ("bias", "standard deviation", "lower", "upper"))


_FEW = "the line of the residuals' size rests on few films: take 100 or more"
_CHANCE = "within chance of 95 %: {} other studies hold {} %"
WHY: Mapping[tuple[str, str], str] = {
    ("share (Clopper and Pearson)", "60 films, shares from 0.7 to 0.95"): "holds its level or more, by design",
    ("mean absolute error", "10 films"): _CHANCE.format("4,000", 94.9),
    ("mean absolute error", "30 films"): _CHANCE.format("4,000", 95.3),
    ("limits of agreement: lower", "20 persons, both feet"): "two uncertain variances of few persons: a little wide",
    ("spread by size", "40 films, spread grows with size"): _FEW,
    ("limits by regression: lower at 30", "40 films, spread grows with size"): _FEW,
    ("limits by regression: upper at 30", "40 films, spread grows with size"): _FEW,
    ("concordance correlation (2 readers)", "20 persons, both feet, these 3 readers"): "widened for few persons",
    ("Deming slope", "40 films"): _CHANCE.format("6,000", 94.8),
    ("Passing-Bablok slope", "40 films"): _CHANCE.format("4,000", 94.7),
    ("kappa", "50 films, 3 grades"): "the scale of arctanh, which weighted kappa needs, is a little wide here",
    ("weighted kappa, quadratic", "50 films, 3 grades"): "few films: a little too sure",
    ("individual equivalence index", "30 films, 3 readers"): "a difference of skewed squares: take 60 films or more",
    ("the same, 30 % reviewed", "100 films"): "the cut is found on the same films, and taken as known",
}
"""Why an interval is known to hold another share than it promises."""


@dataclass(frozen=True)
class Case:
    """A design, the statistics that a study of it gives, and what they are in truth."""

    design: str
    statistics: tuple[str, ...]
    truth: tuple[float, ...]
    study: Study


def held(case: Case, runs: int = RUNS, seed: int = SEED) -> FloatArray:
    """Share of simulated studies whose intervals hold the truth; a missing interval holds nothing.

    Parameters
    ----------
    case : Case
    runs : int
        Studies drawn.
    seed : int

    Returns
    -------
    ndarray, shape (statistics,)
        0..1, in the order of the case's statistics.
    """
    rng = np.random.default_rng(seed)
    count = np.zeros(len(case.truth))
    for _ in range(runs):
        count += [one.low <= true <= one.high for one, true in zip(case.study(rng), case.truth, strict=True)]
    return count / runs


def cases() -> Iterator[Case]:
    """All designs."""
    yield from _differences()
    yield from _limits()
    yield from _correlations()
    yield from _errors_of_reading()
    yield from _errors_over_films()
    yield from _lines()
    yield from _grades()
    yield from _tool()


def feet(rng: np.random.Generator, persons: int, mean: float = 0.0, sd: float = 1.0) -> FloatArray:
    """Numbers of two feet a person, half of the variance shared.

    Parameters
    ----------
    rng : numpy.random.Generator
    persons : int
    mean, sd : float
        Of the numbers of all feet.

    Returns
    -------
    ndarray, shape (2 persons,)
        Both feet of a person stand side by side, as :func:`person` numbers them.

    Examples
    --------
    >>> feet(np.random.default_rng(1), 3).shape
    (6,)
    """
    share = sd / np.sqrt(2)
    return np.repeat(rng.normal(mean, share, persons), 2) + rng.normal(0, share, 2 * persons)


def person(persons: int) -> npt.NDArray[np.int64]:
    """Persons of :func:`feet`.

    Examples
    --------
    >>> person(2).tolist()
    [0, 0, 1, 1]
    """
    return np.repeat(np.arange(persons), 2)


def _differences() -> Iterator[Case]:
    for n in (10, 30, 100):
        names = "bias", "mean absolute error", "root mean square error"

        def plain(rng: np.random.Generator, n: int = n) -> Sequence[Estimate]:
            d = rng.normal(BIAS, SD, n)
            return bias(d), mean_absolute_error(d), root_mean_square_error(d)

        yield Case(f"{n} films", names, (BIAS, MAE, RMS), plain)
    for persons in (20, 40, 100):
        names4 = "bias", "mean absolute error", "root mean square error", "share within 3"

        def clustered(rng: np.random.Generator, persons: int = persons) -> Sequence[Estimate]:
            d, who = feet(rng, persons, BIAS, SD), person(persons)
            return bias(d, who), mean_absolute_error(d, who), root_mean_square_error(d, who), share_within(d, 3.0, who)

        yield Case(f"{persons} persons, both feet", names4, (BIAS, MAE, RMS, WITHIN), clustered)

    def share(rng: np.random.Generator) -> Sequence[Estimate]:
        # Counts are whole numbers, so one share is not all: shares from 0.7 to 0.95 in turn, moved to one truth.
        true = rng.uniform(0.7, 0.95)
        hits = rng.random(60) < true
        both = proportion(hits), proportion(hits, "clopper_pearson")
        return [Estimate(one.value - true, one.low - true, one.high - true, 60, 0.95, "", "", "") for one in both]

    yield Case(
        "60 films, shares from 0.7 to 0.95",
        ("share (Wilson)", "share (Clopper and Pearson)"),
        (0.0, 0.0),
        share,
    )


def _of_limits(found: Limits) -> Sequence[Estimate]:
    return found.bias, found.sd, found.lower, found.upper


def _limits() -> Iterator[Case]:
    for n in (10, 20, 50):

        def plain(rng: np.random.Generator, n: int = n) -> Sequence[Estimate]:
            return _of_limits(limits_of_agreement(rng.normal(BIAS, SD, n)))

        yield Case(f"{n} films", LIMITS, OF_LIMITS, plain)
    for persons in (20, 40, 100):

        def clustered(rng: np.random.Generator, p: int = persons) -> Sequence[Estimate]:
            return _of_limits(limits_of_agreement(feet(rng, p, BIAS, SD), person(p)))

        yield Case(f"{persons} persons, both feet", LIMITS, OF_LIMITS, clustered)

    def replicated(rng: np.random.Generator) -> Sequence[Estimate]:
        truth = rng.normal(25, 8, (30, 1))
        x = truth + BIAS + rng.normal(0, 1, (30, 1)) + rng.normal(0, 1, (30, 3))
        y = truth + rng.normal(0, 1, (30, 1)) + rng.normal(0, 1, (30, 2))
        x[rng.random(x.shape) < 0.1] = np.nan
        return _of_limits(limits_replicated(x, y))

    yield Case("30 films, 3 and 2 sessions, one read in ten missing", LIMITS, OF_LIMITS, replicated)

    def replicated_feet(rng: np.random.Generator) -> Sequence[Estimate]:
        truth = rng.normal(25, 8, (80, 1))
        x = truth + BIAS + feet(rng, 40, 0, np.sqrt(2))[:, None] + rng.normal(0, 1, (80, 2))
        return _of_limits(limits_replicated(x, truth + rng.normal(0, 1, (80, 2)), groups=person(40)))

    yield Case("40 persons, both feet, 2 sessions", LIMITS, OF_LIMITS, replicated_feet)
    for films in (40, 150):

        def by_size(rng: np.random.Generator, films: int = films) -> Sequence[Estimate]:
            mean = rng.uniform(10, 50, films)
            d = 0.5 + 0.05 * mean + rng.normal(0, 1, films) * (0.5 + 0.05 * mean)
            found = limits_regression(d, mean, sizes=[15.0, 30.0])
            return found.slope, found.spread_slope, found.lower[0], found.upper[0], found.lower[1], found.upper[1]

        yield Case(
            f"{films} films, spread grows with size",
            (
                "bias by size",
                "spread by size",
                *(f"limits by regression: {e} at {s}" for s in (15, 30) for e in ("lower", "upper")),
            ),
            (0.05, 0.05 * np.sqrt(2 / np.pi), 1.25 - 1.25 * Z, 1.25 + 1.25 * Z, 2 - 2 * Z, 2 + 2 * Z),
            by_size,
        )


def _correlations() -> Iterator[Case]:
    for n, k in ((20, 3), (30, 2), (50, 5)):
        for readers, names in ((0.0, NAMES[::3]), (2.0, (*NAMES[1:3], *NAMES[4:]))):

            def table(
                rng: np.random.Generator, n: int = n, k: int = k, r: float = readers, names: Sequence[str] = names
            ) -> Sequence[Estimate]:
                found = intraclass(
                    rng.normal(0, 5, (n, 1)) + rng.normal(0, np.sqrt(r), (1, k)) + rng.normal(0, np.sqrt(5), (n, k))
                )
                return [found[name] for name in names]

            truth = []
            for name in names:
                error = 5.0 + (readers if name[4] == "2" else 0.0)
                truth.append(25.0 / (25.0 + error / (k if name.endswith("k)") else 1)))
            yield Case(f"{n} films, {k} readers" + (", readers differ" if readers else ""), names, tuple(truth), table)
    for persons in (20, 40, 100):

        def clustered(rng: np.random.Generator, persons: int = persons) -> Sequence[Estimate]:
            who = person(persons)
            shared = np.repeat(rng.normal(0, 1, (persons, 3)), 2, axis=0) + rng.normal(0, 2, (2 * persons, 3))
            foot = np.repeat(rng.normal(0, 4, (persons, 1)), 2, axis=0) + rng.normal(0, 3, (2 * persons, 1))
            reads = foot + shared + [-1.0, 0.0, 1.0]
            found = intraclass(reads, who)
            other = feet(rng, persons, 25, 7)
            pair = concordance(other + feet(rng, persons, 0, 2), other + 1 + feet(rng, persons, 0, 2), who).concordance
            return found["ICC(2,1)"], found["ICC(3,1)"], standard_error_of_measurement(reads, groups=who), pair

        yield Case(
            f"{persons} persons, both feet, these 3 readers",
            ("ICC(2,1)", "ICC(3,1)", "standard error of measurement", "concordance correlation (2 readers)"),
            (25 / 31, 25 / 30, np.sqrt(6), 2 * 49 / (53 + 53 + 1)),
            clustered,
        )
    for n in (20, 50):

        def pairs(rng: np.random.Generator, n: int = n) -> Sequence[Estimate]:
            truth = rng.normal(25, 5, n)
            return [concordance(truth + rng.normal(0, 2, n), truth + 1 + rng.normal(0, 2, n)).concordance]

        yield Case(f"{n} films", ("concordance correlation",), (2 * 25 / (29 + 29 + 1),), pairs)


def _errors_of_reading() -> Iterator[Case]:
    def table(rng: np.random.Generator, readers: float, n: int = 30, k: int = 4) -> FloatArray:
        return rng.normal(0, 5, (n, 1)) + rng.normal(0, np.sqrt(readers), (1, k)) + rng.normal(0, np.sqrt(5), (n, k))

    def plain(rng: np.random.Generator) -> Sequence[Estimate]:
        gaps = table(rng, 0.0)
        gaps[rng.random(gaps.shape) < 0.2] = np.nan
        both = table(rng, 2.0)
        return (
            standard_error_of_measurement(both),
            standard_error_of_measurement(both, "consistency"),
            within_subject_sd(gaps),
        )

    yield Case(
        "30 films, 4 reads, one in five missing for the last",
        ("standard error of measurement", "the same, consistency", "within-subject standard deviation"),
        tuple(np.sqrt([7.0, 5.0, 5.0])),
        plain,
    )


def _errors_over_films() -> Iterator[Case]:
    for persons in (20, 40):

        def clustered(rng: np.random.Generator, p: int = persons) -> Sequence[Estimate]:
            errors = np.stack([feet(rng, p, 0, 2.0) for _ in range(2)], axis=1)
            return [within_subject_sd(rng.normal(25, 8, (2 * p, 1)) + errors, person(p))]

        yield Case(
            f"{persons} persons, both feet, 2 sessions", ("within-subject standard deviation",), (2.0,), clustered
        )
    for persons in (20, 40):

        def new_films(rng: np.random.Generator, p: int = persons) -> Sequence[Estimate]:
            of_film = np.stack([feet(rng, p, 0, 1.5) for _ in range(2)], axis=1)[:, :, None]
            reads = rng.normal(25, 8, (2 * p, 1, 1)) + of_film + rng.normal(0, 1, (2 * p, 2, 2))
            return repeat_films(reads, person(p)).total, new_films_any_reader(reads, person(p))

        yield Case(
            f"{persons} persons, both feet, 2 films, 2 reads each",
            (
                "within-subject standard deviation over new films",
                "standard error of measurement, new films, any reader",
            ),
            (np.sqrt(3.25), np.sqrt(3.25)),
            new_films,
        )
    for n in (20, 40):

        def any_reader(rng: np.random.Generator, n: int = n) -> Sequence[Estimate]:
            of_film, of_reader = rng.normal(0, 1.5, (n, 2, 1)), rng.normal(0, np.sqrt(0.5), (1, 1, 3))
            return [
                new_films_any_reader(rng.normal(25, 8, (n, 1, 1)) + of_film + of_reader + rng.normal(0, 1, (n, 2, 3)))
            ]

        yield Case(
            f"{n} feet, 2 films, 3 readers who differ",
            ("standard error of measurement, new films, any reader",),
            (np.sqrt(3.75),),
            any_reader,
        )

        def again(rng: np.random.Generator, n: int = n) -> Sequence[Estimate]:
            reads = rng.normal(25, 8, (n, 1, 1)) + rng.normal(0, 1.5, (n, 2, 1)) + rng.normal(0, 1, (n, 2, 2))
            reads[rng.random(reads.shape) < 0.1] = np.nan
            found = repeat_films(reads)
            return found.reading, found.total

        yield Case(
            f"{n} feet, 2 films each read twice, one read in ten missing",
            ("within-subject standard deviation, same film", "the same, over new films"),
            (1.0, np.sqrt(3.25)),
            again,
        )


def _lines() -> Iterator[Case]:
    names = "Deming slope", "Deming intercept", "Passing-Bablok slope", "Passing-Bablok intercept"
    for n in (40, 100):

        def plain(rng: np.random.Generator, n: int = n) -> Sequence[Estimate]:
            truth = rng.normal(25, 8, n)
            x, y = truth + rng.normal(0, 2, n), 1 + 1.1 * truth + rng.normal(0, 2, n)
            exact, ranks = deming(x, y), passing_bablok(x, 1 + truth + rng.normal(0, 2, n))
            return exact.slope, exact.intercept, ranks.slope, ranks.intercept

        yield Case(f"{n} films", names, (1.1, 1.0, 1.0, 1.0), plain)
    for persons in (40, 100):

        def clustered(rng: np.random.Generator, p: int = persons) -> Sequence[Estimate]:
            truth = np.repeat(rng.normal(25, 8, p), 2) + rng.normal(0, 3, 2 * p)
            x, y = truth + feet(rng, p, 0, 2), 1 + truth + feet(rng, p, 0, 2)
            exact, ranks = deming(x, y, groups=person(p)), passing_bablok(x, y, person(p))
            return exact.slope, exact.intercept, ranks.slope, ranks.intercept

        yield Case(f"{persons} persons, both feet", names, (1.0, 1.0, 1.0, 1.0), clustered)


CELLS = np.array([[0.3, 0.08, 0.02], [0.06, 0.2, 0.06], [0.02, 0.06, 0.2]])
"""Shares of feet by the grades of two readers."""


def _kappa(weight: FloatArray) -> float:
    seen, chance = np.sum(weight * CELLS), CELLS.sum(axis=1) @ weight @ CELLS.sum(axis=0)
    return float((seen - chance) / (1 - chance))


def _grades() -> Iterator[Case]:
    apart = np.abs(np.subtract.outer(np.arange(3), np.arange(3))) / 2
    names = "kappa", "weighted kappa, linear", "weighted kappa, quadratic"
    truth = _kappa(np.eye(3)), _kappa(1 - apart), _kappa(1 - apart**2)
    kinds = "none", "linear", "quadratic"
    for n in (50, 100):

        def pair(rng: np.random.Generator, n: int = n) -> Sequence[Estimate]:
            drawn = rng.choice(9, n, p=CELLS.ravel())
            return [weighted_kappa(drawn // 3, drawn % 3, kind, labels=[0, 1, 2]) for kind in kinds]

        yield Case(f"{n} films, 3 grades", names, truth, pair)

    def clustered(rng: np.random.Generator) -> Sequence[Estimate]:
        # The other foot has the cell of the first in half of the persons.
        first, other = rng.choice(9, (2, 60), p=CELLS.ravel())
        drawn = np.stack([first, np.where(rng.random(60) < 0.5, first, other)], axis=1).ravel()
        return [weighted_kappa(drawn // 3, drawn % 3, kind, labels=[0, 1, 2], groups=person(60)) for kind in kinds]

    yield Case("60 persons, both feet, 3 grades", names, truth, clustered)
    for n in (30, 60):

        def many(rng: np.random.Generator, n: int = n) -> Sequence[Estimate]:
            positive = rng.binomial(5, 0.3 + 0.4 * (rng.random(n) < 0.5))
            return [fleiss_kappa(np.stack([positive, 5 - positive], axis=1))]

        yield Case(f"{n} films, 5 readers, 2 grades", ("kappa of many readers",), (0.04 / 0.25,), many)


def _tool() -> Iterator[Case]:
    names = "individual equivalence index", "root mean square difference, tool and a reader", "the same, two readers"
    for n in (30, 100):

        def index(rng: np.random.Generator, n: int = n) -> Sequence[Estimate]:
            truth = rng.normal(25, 8, n)
            reads = truth[:, None] + rng.normal(0, 2, (n, 3))
            found = interchangeability(truth + rng.normal(0.5, 1.5, n), reads)
            return found.index, found.tool_reader, found.reader_reader

        yield Case(f"{n} films, 3 readers", names, (-1.5, np.sqrt(6.5), np.sqrt(8.0)), index)

    def index_feet(rng: np.random.Generator) -> Sequence[Estimate]:
        truth = rng.normal(25, 8, 120)
        reads = truth[:, None] + np.stack([feet(rng, 60, 0, 2.0) for _ in range(3)], axis=1)
        found = interchangeability(truth + feet(rng, 60, 0.5, 1.5), reads, groups=person(60))
        return found.index, found.tool_reader, found.reader_reader

    yield Case("60 persons, both feet, 3 readers", names, (-1.5, np.sqrt(6.5), np.sqrt(8.0)), index_feet)

    many = np.random.default_rng(5).normal(0, 1, (2, 200_000))
    real, called = np.sort(15 + 4 * many[0]), np.sort(15 + 4 * many[0] + 2 * many[1])
    both = np.sort(15 + 4 * many[0] + np.minimum(2 * many[1], 0.0))  # both reach the threshold where the lesser does

    def beyond(values: FloatArray, cut: float) -> float:
        return 1.0 - float(np.searchsorted(values, cut)) / len(values)

    def sorted_feet(rng: np.random.Generator) -> Sequence[Estimate]:
        cut = rng.uniform(13, 17)  # counts are whole numbers: many thresholds, moved to one truth
        truth = rng.normal(15, 4, 150)
        found = accuracy(truth + rng.normal(0, 2, 150), truth, cut)
        sick, positive, hit = beyond(real, cut), beyond(called, cut), beyond(both, cut)
        true = hit / sick, (1.0 - sick - positive + hit) / (1.0 - sick)
        pairs = zip((found.sensitivity, found.specificity), true, strict=True)
        return [Estimate(e.value - t, e.low - t, e.high - t, e.n, 0.95, "", "", "") for e, t in pairs]

    yield Case("150 films, thresholds about the mean", ("sensitivity", "specificity"), (0.0, 0.0), sorted_feet)

    def review(rng: np.random.Generator) -> Sequence[Estimate]:
        doubt = rng.uniform(0.2, 1.2, 100)
        return [error_against_review(rng.normal(0, 1, 100) * doubt, doubt, [share]).kept[0] for share in (0.0, 0.3)]

    truth = 0.7 * np.sqrt(2 / np.pi), 0.55 * np.sqrt(2 / np.pi)
    yield Case("100 films", ("mean absolute error left, 0 % reviewed", "the same, 30 % reviewed"), truth, review)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Coverage of the 95 % intervals by simulation.")
    parser.add_argument("words", nargs="*", help="lines whose statistic or design holds one of these words")
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args(arguments)
    lines = ["| statistic | design | holds the truth | |", "|---|---|---|---|"]
    print("\n".join(lines), flush=True)
    for case in cases():
        if given.words and not any(w in f"{case.design} {' '.join(case.statistics)}" for w in given.words):
            continue
        for name, share in zip(case.statistics, held(case, given.runs), strict=True):
            good = GOOD[0] <= round(share, 3) <= GOOD[1]
            why = "" if good else WHY.get((name, case.design), OUT)
            lines.append(f"| {name} | {case.design} | {100 * share:.1f} % | {why} |")
            print(lines[-1], flush=True)
    if given.out is not None:
        given.out.write_text(HEAD.format(runs=given.runs) + "\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()

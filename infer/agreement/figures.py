"""Which statistics are given of a measure, for whom, and for which feet.

Compared are the tool with every reader and with the mean of the readers, and each two readers. Where a figure says
nothing else, a reader's first session stands for a single reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt

from raysplay.configs.grades import scheme
from raysplay.infer.agreement.config import agreement_settings
from raysplay.infer.agreement.plots import Level, Line, MeasurePlots
from raysplay.infer.agreement.repeat_films import new_film_figures
from raysplay.infer.agreement.result import Confusion, Figure, MeasureResult
from raysplay.infer.agreement.statistics import bias as size
from raysplay.infer.agreement.statistics.accuracy import accuracy
from raysplay.infer.agreement.statistics.concordance import concordance
from raysplay.infer.agreement.statistics.estimate import Estimate
from raysplay.infer.agreement.statistics.inputs import all_equal
from raysplay.infer.agreement.statistics.interchange import interchangeability
from raysplay.infer.agreement.statistics.intraclass import Design, intraclass, recommended
from raysplay.infer.agreement.statistics.kappa import confusion, fleiss_kappa, weighted_kappa
from raysplay.infer.agreement.statistics.limits import limits_of_agreement, limits_regression, limits_replicated
from raysplay.infer.agreement.statistics.planning import films_for_limits
from raysplay.infer.agreement.statistics.regression import deming, passing_bablok
from raysplay.infer.agreement.statistics.repeatability import (
    minimal_detectable_change,
    standard_error_of_measurement,
    within_subject_sd,
)
from raysplay.infer.agreement.statistics.review_yield import error_against_review, interval_coverage, review_needed
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.records import Outcome
from raysplay.infer.review.reading import scale_of
from raysplay.measure import by_name
from raysplay.measure.definition import DEGREE
from raysplay.measure.grades import VARUS, Scale, grade
from raysplay.measure.sides import SIDE_WORDS

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
TextArray = npt.NDArray[np.str_]
Named = tuple[str, Estimate]

TOOL, MEAN, EVERYBODY = "tool", "mean of readers", "all readers"
ALL, ACCEPTED = "all", Outcome.ACCEPTED.value
DETECTABLE = "minimal detectable change, same film"
SPREAD = "standard deviation of differences"
LOWER, UPPER = "limits of agreement, lower", "limits of agreement, upper"
REGRESSIONS = ("Deming", "Passing-Bablok")
_SHARES = tuple(round(0.05 * step, 2) for step in range(19))
"""Shares of feet sent to a person, 0 to 0.9."""

_MANY_FEET = 500
"""Feet up to which Passing and Bablok's line is drawn between readers, too: it takes all pairs of feet."""


@dataclass(frozen=True)
class MeasureInput:
    """One measure of a study; arrays as in :class:`~raysplay.infer.agreement.feet.StudyReads`, one entry a foot.

    ``again`` numbers feet that stand on several films. ``grades`` names the scheme; ``margin``, ``threshold`` and
    ``bound`` are None where none is stated.
    """

    measure: str
    readers: tuple[str, ...]
    sessions: tuple[str, ...]
    readings: FloatArray
    tool: FloatArray
    tool_low: FloatArray
    tool_high: FloatArray
    groups: npt.NDArray[np.int64]
    again: npt.NDArray[np.int64]
    decisions: TextArray
    sides: TextArray
    sexes: TextArray
    sites: TextArray
    pixel_mm: FloatArray
    grades: str
    margin: float | None
    threshold: float | None
    bound: float | None

    @property
    def first(self) -> FloatArray:
        """Each reader's first reading of a foot, whichever session it is of; shape (F, R)."""
        place = np.argmax(np.isfinite(self.readings), axis=2)
        return np.take_along_axis(self.readings, place[:, :, None], axis=2)[:, :, 0]

    @property
    def mean(self) -> FloatArray:
        """Mean of the readers' first readings, of feet that all of them read; shape (F,)."""
        found: FloatArray = self.first.mean(axis=1)  # nan where one is missing
        return found


@dataclass(frozen=True)
class Comparison:
    """Two columns of numbers, and who they are of: differences are the first less the second.

    ``first_all`` and ``second_all`` (F, S) hold all sessions.
    """

    reader: str
    first_name: str
    second_name: str
    first: FloatArray
    second: FloatArray
    first_all: FloatArray
    second_all: FloatArray

    @property
    def known(self) -> BoolArray:
        """Which feet have a number in both columns, so that there is a difference; shape (F,)."""
        known: BoolArray = np.isfinite(self.first) & np.isfinite(self.second)
        return known


def comparisons(given: MeasureInput) -> tuple[Comparison, ...]:
    """The tool with each reader and their mean, then each two readers."""
    found = []
    first, tool = given.first, given.tool
    if np.isfinite(tool).any():
        for r, reader in enumerate(given.readers):
            found.append(Comparison(reader, TOOL, reader, tool, first[:, r], tool[:, None], given.readings[:, r, :]))
        if len(given.readers) > 1:
            found.append(Comparison(MEAN, TOOL, MEAN, tool, given.mean, tool[:, None], given.mean[:, None]))
    for a, b in combinations(range(len(given.readers)), 2):
        one, other = given.readers[a], given.readers[b]
        found.append(
            Comparison(
                f"{one} and {other}",
                one,
                other,
                first[:, a],
                first[:, b],
                given.readings[:, a, :],
                given.readings[:, b, :],
            )
        )
    return tuple(found)


def measure_result(given: MeasureInput) -> MeasureResult:
    """All figures, grades and plots of one measure."""
    figures: list[Figure] = []
    plots: list[MeasurePlots] = []
    confusions: list[Confusion] = []
    found = comparisons(given)
    main = _main(found)
    for one in found:
        of_tool = one.first_name == TOOL
        in_full: dict[str, dict[str, Estimate]] = {}
        for feet, chosen in _feet_of(given, of_tool):
            named = [*_of_two(given, one, chosen, in_depth=one is main and feet == ALL)]
            if feet == ALL:
                named += _lines(given, one)
                named += _grades(given, one)
                if one is main and of_tool:
                    named += [*_sorted_at_thresholds(given, one), *_after_review(given, one), *_intervals(given, one)]
                if one is main:
                    named += _next_study(given, dict(named).get(SPREAD))
            in_full[feet] = dict(named)
            figures += [_figure(given.measure, one.reader, feet, name, estimate) for name, estimate in named]
        groups: list[Level] = []
        if one is main:
            for label, chosen in _groups(given, one):
                named = [*_sizes(given, one, chosen)]
                figures += [_figure(given.measure, one.reader, label, name, estimate) for name, estimate in named]
                mean = dict(named)["bias"]
                groups.append(Level(f"{label} ({mean.n})", mean.value, mean.low, mean.high))
            plots.append(_plots(given, one, in_full[ALL], groups))
        confusions += _confusion(given, one)
    for reader, name, estimate in (*_of_readers(given), *_graded_by_many(given), *_of_new_films(given)):
        figures.append(_figure(given.measure, reader, ALL, name, estimate))
    if np.isfinite(given.tool).any():
        for name, estimate in _interchange(given):
            figures.append(_figure(given.measure, EVERYBODY, ALL, name, estimate))
    return MeasureResult(given.measure, tuple(figures), tuple(confusions), tuple(plots))


def _main(found: Sequence[Comparison]) -> Comparison | None:
    """The comparison that is drawn: of the tool with the mean of the readers, else the first."""
    return next((one for one in found if one.reader == MEAN and one.known.any()), next(iter(found), None))


def _feet_of(given: MeasureInput, of_tool: bool) -> Iterator[tuple[str, BoolArray]]:
    """All feet; for the tool also those it accepted."""
    everything = np.ones(len(given.tool), dtype=np.bool_)
    yield ALL, everything
    if of_tool:
        yield ACCEPTED, given.decisions == ACCEPTED


def _nothing(found: Estimate, why: str) -> Estimate:
    """The estimate without its numbers, and why."""
    return replace(found, value=np.nan, low=np.nan, high=np.nan, why=why)


def _figure(measure: str, reader: str, feet: str, statistic: str, found: Estimate) -> Figure:
    """An estimate as a row; few films are said at the figure itself."""
    few, fewest = agreement_settings().few_feet, agreement_settings().fewest_feet
    said = found.why
    if found.n < fewest and np.isfinite(found.value):
        found = _nothing(found, f"only {found.n} behind it; at least {fewest} are needed")
        said = found.why
    if 0 < found.n < few and np.isfinite(found.value):
        shaky = f"fewer than {few} behind it: each of them moves this figure"
        said = f"{said}; {shaky}" if said else shaky
    return Figure(
        measure,
        statistic,
        reader,
        feet,
        found.value,
        found.low,
        found.high,
        found.n,
        found.level,
        found.method,
        found.assumption,
        found.source,
        said,
    )


def _sizes(given: MeasureInput, one: Comparison, chosen: BoolArray) -> Iterator[Named]:
    """Size of the differences of the chosen feet."""
    level = agreement_settings().level
    taken = chosen & one.known
    differences, groups = (one.first - one.second)[taken], given.groups[taken]
    if len(differences) < agreement_settings().fewest_feet:
        why = f"{len(differences)} feet have both numbers; at least {agreement_settings().fewest_feet} are needed"
        for name in ("bias", "mean absolute error", "root mean square error"):
            yield name, Estimate(np.nan, np.nan, np.nan, len(differences), level, "", "", "", why)
        return
    yield "bias", size.bias(differences, groups, level)
    yield "mean absolute error", size.mean_absolute_error(differences, groups, level)
    yield "root mean square error", size.root_mean_square_error(differences, groups, level)


def _of_two(given: MeasureInput, one: Comparison, chosen: BoolArray, *, in_depth: bool) -> Iterator[Named]:
    """All that is said of two columns of numbers; ``in_depth`` also what takes long."""
    settings = agreement_settings()
    level = settings.level
    yield from _sizes(given, one, chosen)
    taken = chosen & one.known
    if taken.sum() < settings.fewest_feet:
        return
    x, y, groups = one.second[taken], one.first[taken], given.groups[taken]
    for bound in settings.within.get(by_name(given.measure).unit, ()):
        unit = "degrees" if by_name(given.measure).unit == DEGREE else by_name(given.measure).unit
        yield f"share within {bound:g} {unit}", size.share_within(y - x, bound, groups, level)
    plain = limits_of_agreement(y - x, groups, level)
    yield SPREAD, plain.sd
    yield LOWER, plain.lower
    yield UPPER, plain.upper
    if one.first_all.shape[1] > 1 or one.second_all.shape[1] > 1:
        repeated = limits_replicated(one.first_all[taken], one.second_all[taken], level, groups=groups)
        yield f"{LOWER}, all sessions", repeated.lower
        yield f"{UPPER}, all sessions", repeated.upper
    if in_depth:
        yield from _by_size(x, y, groups, level)
    yield "concordance correlation", concordance(x, y, groups, level).concordance
    yield "ICC(2,1)", _correlations(np.column_stack([x, y]), groups)["ICC(2,1)"]


def _lines(given: MeasureInput, one: Comparison) -> Iterator[Named]:
    """Regression lines between two columns that both err."""
    level, known = agreement_settings().level, one.known
    if known.sum() < agreement_settings().fewest_feet:
        return
    x, y, groups = one.second[known], one.first[known], given.groups[known]
    lines = {REGRESSIONS[0]: deming(x, y, 1.0, groups, level)}
    if one.first_name == TOOL or known.sum() <= _MANY_FEET:
        lines[REGRESSIONS[1]] = passing_bablok(x, y, groups, level)
    for name, line in lines.items():
        yield f"{name} slope", line.slope
        yield f"{name} intercept", line.intercept


def _scale(given: MeasureInput) -> Scale | None:
    """The scheme's scale of the measure, where its grades are told apart by their words."""
    scale = scale_of(given.grades, given.measure, decision_settings().shape.values)
    return scale if scale is not None and len(set(scale.grades)) == len(scale.grades) else None


def _words(values: FloatArray, scale: Scale) -> list[str]:
    return grade(values, scale, 0.0).words()


def _grades(given: MeasureInput, one: Comparison) -> Iterator[Named]:
    """Kappa of grades; a great toe that leans the other way has no place in an order of severity."""
    scale, known = _scale(given), one.known
    if scale is None or known.sum() < agreement_settings().fewest_feet:
        return
    first, second = _words(one.first[known], scale), _words(one.second[known], scale)
    order = [word for word in scale.grades if word != VARUS]
    graded = [a in order and b in order for a, b in zip(first, second, strict=True)]
    a, b = ([word if keep else "" for word, keep in zip(words, graded, strict=True)] for words in (first, second))
    found = weighted_kappa(
        a, b, "quadratic", labels=order, groups=given.groups[known], level=agreement_settings().level
    )
    left = len(graded) - sum(graded)
    said = f"{left} feet without a grade in this order (varus, or beyond the scheme) are left out" if left else ""
    why = "; ".join(part for part in (found.why, said) if part)
    yield f"weighted kappa of grades ({given.grades}), quadratic weights", replace(found, why=why)


def _confusion(given: MeasureInput, one: Comparison) -> Iterator[Confusion]:
    scale, known = _scale(given), one.known
    if scale is None or not known.any():
        return
    first, second = _words(one.first[known], scale), _words(one.second[known], scale)
    counts = confusion(first, second, scale.grades)
    yield Confusion(
        given.measure,
        one.reader,
        one.first_name,
        one.second_name,
        scale.grades,
        tuple(tuple(int(n) for n in row) for row in counts),
    )


def _sorted_at_thresholds(given: MeasureInput, one: Comparison) -> Iterator[Named]:
    """Sensitivity and specificity at the stated value, else at the borders of the scheme between grades of severity."""
    scale, known = _scale(given), one.known
    borders = []
    if given.threshold is not None:
        borders = [given.threshold]
    elif scale is not None:
        borders = [b for b, below in zip(scale.borders, scale.grades, strict=False) if below != VARUS]
    for border in borders if known.any() else ():
        found = accuracy(one.first, one.second, border, groups=given.groups, level=agreement_settings().level)
        yield f"sensitivity at {border:g}", found.sensitivity
        yield f"specificity at {border:g}", found.specificity


def _doubts(given: MeasureInput) -> dict[str, FloatArray]:
    """Orders in which feet could go to a person; larger is more doubtful."""
    width = given.tool_high - given.tool_low
    review = np.where(given.decisions == Outcome.REVIEW.value, np.nanmax(width, initial=0.0) + 1.0, 0.0)
    return {"review first, then widest interval": width + review, "widest interval first": width}


def _after_review(given: MeasureInput, one: Comparison) -> Iterator[Named]:
    """Error that stays as the doubtful share goes to a person, and the share that a stated bound asks for."""
    level = agreement_settings().level
    errors = np.where(one.known, one.first - one.second, np.nan)
    if one.known.sum() < agreement_settings().few_feet:
        return
    for name, doubt in _doubts(given).items():
        found = error_against_review(errors, doubt, _SHARES, groups=given.groups, level=level)
        for share, kept in zip(found.shares, found.kept, strict=True):
            yield f"mean absolute error left, {100 * share:.0f} % reviewed ({name})", kept
        if given.bound is not None:
            needed = review_needed(errors, doubt, given.bound, groups=given.groups, level=level)
            yield (
                f"share to review for a mean absolute error of {given.bound:g} ({name})",
                Estimate(
                    needed.share,
                    needed.share,
                    needed.safe_share,
                    int(one.known.sum()),
                    level,
                    "least share from which on the error that stays keeps the bound; upper end: by its interval",
                    "doubt orders new films as it does these",
                    "",
                    needed.why,
                ),
            )


def _intervals(given: MeasureInput, one: Comparison) -> Iterator[Named]:
    """Whether the tool's own intervals hold what was read."""
    promised = decision_settings().interval.level
    truth = np.where(one.known, one.second, np.nan)
    found = interval_coverage(
        given.tool_low, given.tool_high, truth, promised, given.groups, agreement_settings().level
    )
    said = (
        f"promised are {100 * promised:g} %; {found.below} readings lie below and {found.above} above the interval; "
        "the error of readers is in this, so that true coverage is higher"
    )
    why = "; ".join(part for part in (found.coverage.why, said) if part)
    yield "coverage of the tool's intervals", replace(found.coverage, why=why)


def _next_study(given: MeasureInput, spread: Estimate | None) -> Iterator[Named]:
    """Films that a next study needs for limits of agreement that are known so well, by the spread found here."""
    settings = agreement_settings()
    if spread is None or not np.isfinite(spread.value) or spread.value <= 0.0 or spread.n < settings.few_feet:
        return
    unit = "degrees" if by_name(given.measure).unit == DEGREE else by_name(given.measure).unit
    for half in settings.limits_known_within.get(by_name(given.measure).unit, ()):
        plans = [
            films_for_limits(half, sd, level=settings.level)
            for sd in (spread.value, spread.low, spread.high)
            if np.isfinite(sd) and sd > 0.0
        ]
        films = [float(max(plan.films, plan.films_by_simulation)) for plan in plans]
        ends = (films[1], films[2]) if len(films) == 3 else (np.nan, np.nan)
        yield (
            f"films for limits known to within {half:g} {unit}",
            Estimate(
                films[0],
                *ends,
                n=spread.n,
                level=settings.level,
                method=f"{plans[0].method}; ends by those of the spread; checked by simulation",
                assumption=plans[0].assumption,
                source=plans[0].source,
                why="",
            ),
        )


def _interchange(given: MeasureInput) -> Iterator[Named]:
    """Whether the tool may stand in for a reader; the margin is stated in the unit and squared here."""
    margin = None if given.margin is None else given.margin**2
    found = interchangeability(given.tool, given.readings, margin, given.groups, agreement_settings().level)
    if given.margin is None:
        said = "no margin was stated beforehand: no verdict"
    elif found.interchangeable is None:
        said = "no interval: no verdict"
    elif found.interchangeable:
        said = f"interchangeable with a reader by the margin stated beforehand ({given.margin:g}, squared {margin:g})"
    else:
        said = f"not shown to be interchangeable by the margin stated beforehand ({given.margin:g}, squared {margin:g})"
    why = "; ".join(part for part in (found.index.why, said) if part)
    yield "individual equivalence index (squared unit)", replace(found.index, why=why)
    yield "root mean square difference, tool and a reader", found.tool_reader
    yield "root mean square difference, two readers", found.reader_reader


def _by_size(x: FloatArray, y: FloatArray, groups: npt.NDArray[np.int64], level: float) -> Iterator[Named]:
    """Whether bias and spread change with size, and the limits at a small, a middle and a large value."""
    found = limits_regression(y - x, 0.5 * (x + y), groups, level)
    yield "bias by size, slope", found.slope
    spread = found.spread_slope
    said = (
        "spread grows with size: limits by regression are to be preferred to plain ones" if found.spread_grows else ""
    )
    yield "spread by size, slope", replace(spread, why=spread.why or said)
    for place, lower, upper in zip(found.sizes, found.lower, found.upper, strict=True):
        yield f"{LOWER} by regression, at {place:.1f}", lower
        yield f"{UPPER} by regression, at {place:.1f}", upper


def _correlations(table: FloatArray, groups: npt.NDArray[np.int64]) -> dict[str, Estimate]:
    """Intraclass correlations; none where feet do not differ: nothing could be told apart then."""
    found = intraclass(table, groups, agreement_settings().level)
    whole = table[np.isfinite(table).all(axis=1)]
    if len(whole) > 1 and all_equal(whole.mean(axis=1)):
        return {name: _nothing(one, "the feet do not differ") for name, one in found.items()}
    return found


def _of_same_film(found: Estimate) -> Estimate:
    """The estimate with what it must not be used for."""
    said = "not for a change between two films, which also holds what standing and beam cost"
    return replace(found, why="; ".join(part for part in (found.why, said) if part))


def _of_readers(given: MeasureInput) -> Iterator[tuple[str, str, Estimate]]:
    """Readers among themselves, and each with their own reads again: reader, statistic, estimate."""
    level, table = agreement_settings().level, given.first
    if len(given.readers) > 1:
        read = np.isfinite(table)
        somebody = read.any(axis=1)
        design = Design(crossed=bool(read[somebody].all()))
        advice = recommended(design)
        for name, found in _correlations(table[somebody], given.groups[somebody]).items():
            said = f"the one to report: {advice.why}" if name == advice.name else ""
            yield EVERYBODY, name, replace(found, why="; ".join(part for part in (found.why, said) if part))
        error = standard_error_of_measurement(table[somebody], "agreement", given.groups[somebody], level)
        yield EVERYBODY, "standard error of measurement", error
        yield EVERYBODY, DETECTABLE, _of_same_film(minimal_detectable_change(error))
    if given.readings.shape[2] > 1:
        for r, reader in enumerate(given.readers):
            within = within_subject_sd(given.readings[:, r, :], given.groups, level)
            yield f"{reader} again", "within-subject standard deviation", within
            yield f"{reader} again", DETECTABLE, _of_same_film(minimal_detectable_change(within))
            first = np.isfinite(given.readings[:, r, :]).all(axis=1)
            again = _correlations(given.readings[first, r, :], given.groups[first])["ICC(2,1)"]
            yield f"{reader} again", "ICC(2,1), sessions", again


def _graded_by_many(given: MeasureInput) -> Iterator[tuple[str, str, Estimate]]:
    """Kappa of three readers or more, of feet that all of them read and gave a grade of the order of severity."""
    scale = _scale(given)
    if scale is None or len(given.readers) < 3:
        return
    order = [word for word in scale.grades if word != VARUS]
    whole = np.isfinite(given.first).all(axis=1)
    name = f"kappa of many readers ({given.grades})"
    if whole.sum() < agreement_settings().fewest_feet:
        return
    words = np.array([_words(given.first[whole, r], scale) for r in range(len(given.readers))])
    counts = np.stack([(words == word).sum(axis=0) for word in order], axis=1)
    graded = counts.sum(axis=1) == len(given.readers)
    found = fleiss_kappa(counts[graded], given.groups[whole][graded], agreement_settings().level)
    left = int((~graded).sum())
    said = (
        f"{left} feet that somebody gave no grade of this order (varus, or beyond the scheme) are left out"
        if left
        else ""
    )
    order_said = (
        "grades count as names: near and far ones differ alike; weighted kappa of two readers knows their order"
    )
    yield EVERYBODY, name, replace(found, why="; ".join(part for part in (found.why, said, order_said) if part))


def _of_new_films(given: MeasureInput) -> Iterator[tuple[str, str, Estimate]]:
    """Error over new films of the same foot, where the study holds such."""
    level = agreement_settings().level
    yield from new_film_figures(given.tool, given.readings, given.readers, given.again, given.groups, level)


def _groups(given: MeasureInput, one: Comparison) -> Iterator[tuple[str, BoolArray]]:
    """Groups of feet whose errors a mean over all could hide; only such as leave some feet out."""
    known = one.known
    named: list[tuple[str, BoolArray]] = []
    for outcome in (Outcome.ACCEPTED, Outcome.REVIEW):
        named.append((f"decision {outcome.value}", given.decisions == outcome.value))
    for side, word in SIDE_WORDS.items():
        named.append((f"{word} feet", given.sides == side))
    for sex in sorted(set(given.sexes) - {""}):
        named.append((f"sex {sex}", given.sexes == sex))
    for site in sorted(set(given.sites) - {""}):
        named.append((f"site {site}", given.sites == site))
    named += _bands(given, one)
    pixels = given.pixel_mm[known & np.isfinite(given.pixel_mm)]
    if len(pixels) and pixels.min() < pixels.max():
        middle = float(np.median(pixels))
        if (pixels > middle).any():
            named.append((f"pixels up to {middle:.2g} mm", given.pixel_mm <= middle))
            named.append((f"pixels above {middle:.2g} mm", given.pixel_mm > middle))
    for label, chosen in named:
        count = int((chosen & known).sum())
        if 0 < count < known.sum():
            yield label, chosen


def _bands(given: MeasureInput, one: Comparison) -> list[tuple[str, BoolArray]]:
    """Bands of severity, by the mean of both numbers: by one of them alone, error itself would sort the feet."""
    scale = scheme(given.grades).scale(given.measure)
    if scale is None:
        return []
    middle = 0.5 * (one.first + one.second)
    edges = [-np.inf, *scale.borders, np.inf]
    short = by_name(given.measure).abbreviation
    found = []
    for low, high in pairwise(edges):
        if not np.isfinite(low):
            label = f"{short} below {high:g}"
        else:
            label = f"{short} {low:g} and above" if not np.isfinite(high) else f"{short} {low:g} to below {high:g}"
        with np.errstate(invalid="ignore"):
            found.append((label, (middle >= low) & (middle < high)))
    return found


def _curves(given: MeasureInput, figures: Mapping[str, Estimate]) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Error that stays, by share and order, out of the figures."""
    curves = {}
    for name in _doubts(given):
        kept = [figures.get(f"mean absolute error left, {100 * share:.0f} % reviewed ({name})") for share in _SHARES]
        if all(one is not None for one in kept):
            curves[name] = np.array(_SHARES), np.array([one.value for one in kept if one is not None])
    return curves


def _plots(
    given: MeasureInput, one: Comparison, figures: Mapping[str, Estimate], groups: Sequence[Level]
) -> MeasurePlots:
    """What is drawn of a comparison."""
    known = one.known
    measure = by_name(given.measure)
    kinds = list(dict.fromkeys(given.decisions.tolist())) if one.first_name == TOOL else ["feet"]
    marks = [kinds.index(d) if one.first_name == TOOL else 0 for d in given.decisions[known].tolist()]
    levels = [
        Level(name, figures[name].value, figures[name].low, figures[name].high)
        for name in ("bias", LOWER, UPPER)
        if name in figures
    ]
    lines = [
        Line(name, figures[f"{name} intercept"].value, figures[f"{name} slope"].value)
        for name in REGRESSIONS
        if f"{name} slope" in figures
    ]
    return MeasurePlots(
        measure.abbreviation,
        "degrees" if measure.unit == DEGREE else measure.unit,
        one.first_name,
        one.second_name,
        one.second[known],
        one.first[known],
        np.flatnonzero(known),
        np.array(marks, dtype=np.int64),
        kinds,
        levels,
        lines,
        _curves(given, figures),
        groups,
    )

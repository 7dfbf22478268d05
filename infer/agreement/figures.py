"""Which statistics are given of a measure, for whom, and for which feet.

Compared are the tool with every reader and with the mean of the readers, and each two readers. Where a figure says
nothing else, a reader's first session stands for a single reading.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

import numpy as np
import numpy.typing as npt

from raysplay.configs.grades import scheme
from raysplay.infer.agreement.config import agreement_settings
from raysplay.infer.agreement.plots import Level, Line, MeasurePlots
from raysplay.infer.agreement.result import Figure, MeasureResult
from raysplay.infer.agreement.statistics import bias as size
from raysplay.infer.agreement.statistics.estimate import Estimate
from raysplay.infer.records import Outcome
from raysplay.measure import by_name
from raysplay.measure.definition import DEGREE

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
TextArray = npt.NDArray[np.str_]
Named = tuple[str, Estimate]

TOOL, MEAN, EVERYBODY = "tool", "mean of readers", "all readers"
ALL, ACCEPTED = "all", Outcome.ACCEPTED.value
LOWER, UPPER = "limits of agreement, lower", "limits of agreement, upper"
REGRESSIONS = ("Deming", "Passing-Bablok")
_MOST_PAIRS = 10
"""Pairs of readers that are compared one by one: all of five readers."""


@dataclass(frozen=True)
class MeasureInput:
    """One measure of a study; arrays as in :class:`~raysplay.infer.agreement.feet.StudyReads`, one entry a foot.

    ``grades`` names the scheme; ``margin`` and ``threshold`` are None where none is stated.
    """

    measure: str
    readers: tuple[str, ...]
    sessions: tuple[str, ...]
    readings: FloatArray
    tool: FloatArray
    tool_low: FloatArray
    tool_high: FloatArray
    groups: npt.NDArray[np.int64]
    decisions: TextArray
    sides: TextArray
    sexes: TextArray
    sites: TextArray
    pixel_mm: FloatArray
    grades: str
    margin: float | None
    threshold: float | None

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
    for a, b in list(combinations(range(len(given.readers)), 2))[:_MOST_PAIRS]:
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
    found = comparisons(given)
    for one in found:
        of_tool = one.first_name == TOOL
        in_full: dict[str, dict[str, Estimate]] = {}
        for feet, chosen in _feet_of(given, of_tool):
            named = [*_of_two(given, one, chosen)]
            in_full[feet] = dict(named)
            figures += [_figure(given.measure, one.reader, feet, name, estimate) for name, estimate in named]
        groups: list[Level] = []
        if one is _main(found):
            for label, chosen in _groups(given, one):
                named = [*_sizes(given, one, chosen)]
                figures += [_figure(given.measure, one.reader, label, name, estimate) for name, estimate in named]
                mean = dict(named)["bias"]
                groups.append(Level(f"{label} ({mean.n})", mean.value, mean.low, mean.high))
            plots.append(_plots(given, one, in_full[ALL], groups))
    return MeasureResult(given.measure, tuple(figures), (), tuple(plots))


def _main(found: Sequence[Comparison]) -> Comparison | None:
    """The comparison that is drawn: of the tool with the mean of the readers, else the first."""
    return next((one for one in found if one.reader == MEAN and one.known.any()), next(iter(found), None))


def _feet_of(given: MeasureInput, of_tool: bool) -> Iterator[tuple[str, BoolArray]]:
    """All feet; for the tool also those it accepted."""
    everything = np.ones(len(given.tool), dtype=np.bool_)
    yield ALL, everything
    if of_tool:
        yield ACCEPTED, given.decisions == ACCEPTED


def _figure(measure: str, reader: str, feet: str, statistic: str, found: Estimate) -> Figure:
    """An estimate as a row; few films are said at the figure itself."""
    few = agreement_settings().few_feet
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


def _of_two(given: MeasureInput, one: Comparison, chosen: BoolArray) -> Iterator[Named]:
    """All that is said of two columns of numbers."""
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


def _groups(given: MeasureInput, one: Comparison) -> Iterator[tuple[str, BoolArray]]:
    """Groups of feet whose errors a mean over all could hide; only such as leave some feet out."""
    known = one.known
    named: list[tuple[str, BoolArray]] = []
    for outcome in (Outcome.ACCEPTED, Outcome.REVIEW):
        named.append((f"decision {outcome.value}", given.decisions == outcome.value))
    for side, word in (("L", "left"), ("R", "right")):
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
        {},
        groups,
    )

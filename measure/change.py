"""Change between reads of one foot: two of them, or a series.

A difference between two films holds more than reading error: the foot stands anew, the beam comes from elsewhere. What
that alone gives (:class:`~raysplay.measure.reader_error.NewFilmError`) counts with it. Two films of one day that differ
in load, or in what the foot wears, show what that does to the position of the bones, and no progress.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import hypot, nan, sqrt
from statistics import NormalDist

import numpy as np

from raysplay.measure.definition import DEGREE, MILLIMETRE
from raysplay.measure.reader_error import NewFilmError, ReaderError, minimal_detectable_change

NOTHING_WORN = "nothing"
"""What a bare foot wears; any other word names a splint, an orthosis, tape or the like."""


class ConstructionMixed(ValueError):  # noqa: N818 - names what happened
    """Numbers of different constructions in one comparison."""


class ConditionsMixed(ValueError):  # noqa: N818 - names what happened
    """A series of films that were not taken alike."""


class Verdict(Enum):
    """What a difference of two reads amounts to."""

    BEYOND_ERROR = "beyond error"
    WITHIN_ERROR = "within error"
    NOT_COMPARABLE = "not comparable"


class Occasion(Enum):
    """How two films of a foot belong together, which says what a difference between them can mean."""

    FOLLOW_UP = "follow-up"
    """Taken alike at two times."""
    SAME_DAY = "same day"
    """Taken on one day with another load or another thing worn: a change of position, never progress."""
    ACROSS_SURGERY = "across surgery"
    """One before an operation and one after it."""


@dataclass(frozen=True)
class Read:
    """One measure of one foot on one film, with what decides whether it can be compared.

    Attributes
    ----------
    measure, unit, construction : str
    value, sd : float
        Value and standard deviation of its error; ``nan`` where withheld.
    side : {'L', 'R'}
    year : float or None
        Time of the film in years, from any one origin.
    loading : str or None
        How the foot was loaded, in a word such as "full"; None where unknown.
    worn : str or None
        What the foot wore, :data:`NOTHING_WORN` or a word such as "splint"; None where unknown.
    projection : str or None
        View, as written; None where unknown.
    tilt : float or None
        Tube tilt in degrees toward the heel; None where unknown.
    spacing_kind : str or None
        Kind of the pixel spacing; matters for lengths in mm.
    after_surgery : bool or None
        Whether the film was taken after an operation on the foot; None where nothing is said of one.
    technique : tuple of (str, str)
        What else was stated of how the film was taken: what, and the word for it, empty where unknown.
    """

    measure: str
    unit: str
    construction: str
    value: float
    sd: float
    side: str
    year: float | None = None
    loading: str | None = None
    worn: str | None = None
    projection: str | None = None
    tilt: float | None = None
    spacing_kind: str | None = None
    after_surgery: bool | None = None
    technique: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Change:
    """Difference of two reads.

    Attributes
    ----------
    verdict : Verdict
    reasons : tuple of str
        Why the two are not comparable; empty where they are.
    caveats : tuple of str
        What is not known of the films and might have moved the number.
    difference, low, high : float
        Second less first with its interval, from the errors of both reads and of a new film where one is given;
        ``nan`` if not comparable.
    reader_mdc, tool_mdc : float
        Minimal detectable change by the published reader error (``nan`` if there is none, or a study of repeated films
        takes its place) and by the reads' own with that of a new film.
    occasion : Occasion
    """

    verdict: Verdict
    reasons: tuple[str, ...]
    caveats: tuple[str, ...]
    difference: float
    low: float
    high: float
    reader_mdc: float
    tool_mdc: float
    occasion: Occasion = Occasion.FOLLOW_UP

    @property
    def mdc(self) -> float:
        """Smallest difference that is beyond error."""
        return self.tool_mdc if np.isnan(self.reader_mdc) else max(self.reader_mdc, self.tool_mdc)


@dataclass(frozen=True)
class Trend:
    """Straight line through a series.

    Attributes
    ----------
    per_year, low, high : float
        Slope in the unit of the measure a year, with its interval from the errors of the reads.
    reads : int
        How many it stands on.
    scatter : float
        Spread of the reads about the line in units of their error (1 is as expected; ``nan`` for two reads).
        Clearly more than 1: something besides reading error and a steady trend moved the foot or the film.
    """

    per_year: float
    low: float
    high: float
    reads: int
    scatter: float


def compare(
    first: Read,
    second: Read,
    *,
    reader_error: ReaderError | None = None,
    new_film: NewFilmError | None = None,
    level: float = 0.90,
    detection_level: float = 0.95,
    largest_tilt_difference: float,
    names: tuple[str, str] = ("the first film", "the second film"),
) -> Change:
    """Compare two reads of one foot, the earlier first.

    Beyond error is a difference larger than both minimal detectable changes: that of published readers, which
    includes what another film of the same foot would give only as far as the source does, and that of the two reads
    themselves with what a new film gives. A study of films repeated with this tool measures both at once: then it alone
    counts, and the published readers no more.

    Parameters
    ----------
    first, second : Read
    reader_error : ReaderError or None
        Of this measure, or None if none is published.
    new_film : NewFilmError or None
        Of this measure, or None if nothing is known of it; then the verdict holds reading error alone.
    level : float
        Of the difference's interval.
    detection_level : float
        Of the minimal detectable change.
    largest_tilt_difference : float
        Degrees of tube tilt between the films from which they are not comparable.
    names : tuple of str
        What the two films are called in reasons and caveats.

    Raises
    ------
    ValueError
        If the two reads are of different measures, or an error is that of another one.

    Examples
    --------
    >>> before = Read("hva", "deg", "shaft", 31.0, 1.0, "R", 0.0, loading="full", worn="nothing", tilt=15.0)
    >>> after = Read("hva", "deg", "shaft", 24.0, 1.0, "R", 1.0, loading="full", worn="nothing", tilt=15.0)
    >>> change = compare(before, after, largest_tilt_difference=10.0)
    >>> change.verdict.value, change.difference, round(change.low, 2), round(change.tool_mdc, 2)
    ('beyond error', -7.0, -9.33, 2.77)
    """
    if first.measure != second.measure:
        raise ValueError(f"{first.measure} and {second.measure} are different measures")
    for what, error in (("reader error", reader_error), ("error of a new film", new_film)):
        if error is not None and error.measure != first.measure:
            raise ValueError(f"the {what} is that of {error.measure}, not of {first.measure}")
    occasion = _occasion(first, second)
    reasons = _reasons(first, second, largest_tilt_difference, names, occasion)
    caveats = _caveats(first, second, names)
    repeated = new_film is not None and new_film.holds_reading
    published = reader_error is not None and not repeated
    reader_mdc = minimal_detectable_change(reader_error.sem, detection_level) if reader_error and published else nan
    sd = hypot(*(_error(read, new_film) for read in (first, second)))
    tool_mdc = minimal_detectable_change(sd / sqrt(2.0), detection_level)
    if reasons:
        return Change(Verdict.NOT_COMPARABLE, reasons, caveats, nan, nan, nan, reader_mdc, tool_mdc, occasion)
    difference = _difference(first, second)
    half = NormalDist().inv_cdf(0.5 + level / 2.0) * sd
    beyond = abs(difference) > tool_mdc and not abs(difference) <= reader_mdc
    verdict = Verdict.BEYOND_ERROR if beyond else Verdict.WITHIN_ERROR
    ends = difference - half, difference + half
    return Change(verdict, (), caveats, difference, *ends, reader_mdc, tool_mdc, occasion)


def trend(reads: Sequence[Read], *, level: float = 0.90, least_sd: float = 0.0) -> Trend:
    """Change a year over a whole series, by least squares weighted with the errors of the reads.

    Parameters
    ----------
    reads : sequence of Read
        Reads of one foot on films taken alike; withheld ones are left out.
    level : float
        Of the interval.
    least_sd : float
        No read counts as better known than this; the published reader error, where the tool's own seems too small.

    Raises
    ------
    ConstructionMixed
        If the reads are of different constructions.
    ConditionsMixed
        If loading, what was worn, projection or surgery differ, as far as they are known, or anything was worn.
    ValueError
        If they are of different measures or feet, one has no time, or fewer than two times are left.

    Examples
    --------
    >>> series = [Read("hva", "deg", "shaft", 20.0 + 2.0 * year, 1.0, "R", year) for year in (0.0, 1.0, 2.0, 3.0)]
    >>> slope = trend(series)
    >>> round(slope.per_year, 6), round(slope.high - slope.per_year, 3), round(slope.scatter, 6)
    (2.0, 0.736, 0.0)
    """
    if len({read.construction for read in reads}) > 1:
        raise ConstructionMixed("the series mixes constructions: " + ", ".join(sorted({r.construction for r in reads})))
    if len({(read.measure, read.side) for read in reads}) > 1:
        raise ValueError("the series mixes measures or sides")
    _refuse_mixed_conditions(reads)
    if any(read.year is None for read in reads):
        raise ValueError("a read of the series has no time")
    used = [read for read in reads if np.isfinite(read.value) and np.isfinite(read.sd)]
    year = np.array([read.year for read in used], dtype=np.float64)
    if len(np.unique(year)) < 2:
        raise ValueError("a trend needs reads at two times at least")
    value = np.array([read.value for read in used])
    if used[0].unit == DEGREE:
        value = value[0] + (value - value[0] + 180.0) % 360.0 - 180.0
    sd = np.maximum([read.sd for read in used], least_sd)
    if not np.all(sd > 0.0):
        raise ValueError("a read without error outweighs all others; give least_sd")
    weight = 1.0 / sd**2
    centre = np.sum(weight * year) / np.sum(weight)
    spread = np.sum(weight * (year - centre) ** 2)
    slope = float(np.sum(weight * (year - centre) * value) / spread)
    half = NormalDist().inv_cdf(0.5 + level / 2.0) / sqrt(float(spread))
    mean = np.sum(weight * value) / np.sum(weight)
    residual = value - mean - slope * (year - centre)
    degrees = len(used) - 2
    scatter = sqrt(float(np.sum(weight * residual**2)) / degrees) if degrees else nan
    return Trend(slope, slope - half, slope + half, len(used), scatter)


def _occasion(first: Read, second: Read) -> Occasion:
    """Same day only where something is known to differ that a comparison of two times would not allow."""
    if None not in (first.after_surgery, second.after_surgery) and first.after_surgery != second.after_surgery:
        return Occasion.ACROSS_SURGERY
    one_day = first.year is not None and first.year == second.year
    return Occasion.SAME_DAY if one_day and any(_differ(first, second)) else Occasion.FOLLOW_UP


def _differ(first: Read, second: Read) -> tuple[bool, bool]:
    """Whether load, and whether what was worn, are known to differ."""
    load, worn = (first.loading, second.loading), (first.worn, second.worn)
    return None not in load and load[0] != load[1], None not in worn and worn[0] != worn[1]


def _error(read: Read, new_film: NewFilmError | None) -> float:
    """Standard deviation of one read on one film."""
    return read.sd if new_film is None else new_film.with_reading(read.sd)


def _refuse_mixed_conditions(reads: Sequence[Read]) -> None:
    for what in ("loading", "worn", "projection", "after_surgery"):
        known = {getattr(read, what) for read in reads} - {None}
        if len(known) > 1:
            raise ConditionsMixed(f"the series mixes {what.replace('_', ' ')}: {', '.join(sorted(map(str, known)))}")
    worn = {read.worn for read in reads} - {None, NOTHING_WORN}
    if worn:
        raise ConditionsMixed(f"a {worn.pop()} is worn on the films: they show its effect, not the foot")


def _on(films: Sequence[str]) -> str:
    return "on both films" if len(films) == 2 else f"on {films[0]}"


def _reasons(
    first: Read, second: Read, largest_tilt_difference: float, names: tuple[str, str], occasion: Occasion
) -> tuple[str, ...]:
    reasons = []
    if first.side != second.side:
        reasons.append(f"different sides: {first.side} and {second.side}")
    if first.construction != second.construction:
        reasons.append(f"different constructions: {first.construction} and {second.construction}")
    if first.unit != second.unit:
        reasons.append(f"different units: {first.unit} and {second.unit}")
    positional = occasion is Occasion.SAME_DAY
    if None not in (first.loading, second.loading) and first.loading != second.loading and not positional:
        reasons.append(f"different loading: {first.loading} and {second.loading}")
    if positional and all(_differ(first, second)):
        reasons.append("loading and what was worn both differ: which of them moved the bones cannot be told")
    films = tuple(zip((first, second), names, strict=True))
    worn = [(read.worn, name) for read, name in films if read.worn not in (None, NOTHING_WORN)]
    if worn and not positional:
        what = " and ".join(dict.fromkeys(str(word) for word, _ in worn))
        reasons.append(f"{what} in place {_on([name for _, name in worn])}")
    if None not in (first.projection, second.projection) and first.projection != second.projection:
        reasons.append(f"different projections: {first.projection} and {second.projection}")
    if first.tilt is not None and second.tilt is not None and abs(first.tilt - second.tilt) > largest_tilt_difference:
        reasons.append(f"different projections: tube tilt {first.tilt:g} and {second.tilt:g} degrees")
    known = dict(second.technique)
    for what, word in first.technique:
        if word and known.get(what) and known[what] != word:
            reasons.append(f"different technique: {what} {word} and {known[what]}")
    if (
        first.unit == MILLIMETRE
        and None not in (first.spacing_kind, second.spacing_kind)
        and first.spacing_kind != second.spacing_kind
    ):
        reasons.append(f"millimetres of different kinds: {first.spacing_kind} and {second.spacing_kind}")
    for read, name in films:
        if not (np.isfinite(read.value) and np.isfinite(read.sd)):
            reasons.append(f"withheld on {name}")
    if not reasons and (first.after_surgery is None) != (second.after_surgery is None):
        reasons.append("an operation is stated of one film alone: whether one lies between them is not known")
    return tuple(reasons)


def _caveats(first: Read, second: Read, names: tuple[str, str]) -> tuple[str, ...]:
    unknown: dict[str, tuple[object, object]] = {
        "loading": (first.loading, second.loading),
        "whether anything was worn": (first.worn, second.worn),
        "tube tilt": (first.tilt, second.tilt),
    }
    if first.unit == MILLIMETRE:
        unknown["kind of pixel spacing"] = (first.spacing_kind, second.spacing_kind)
    caveats = []
    for what, pair in unknown.items():
        missing = [name for value, name in zip(pair, names, strict=True) if value is None]
        if missing:
            caveats.append(f"{what} unknown {_on(missing)}")
    return tuple(caveats)


def _difference(first: Read, second: Read) -> float:
    difference = second.value - first.value
    if first.unit == DEGREE:
        difference = (difference + 180.0) % 360.0 - 180.0
    return difference

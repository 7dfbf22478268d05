"""Change between reads of one foot: two of them, or a series."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from math import hypot, nan, sqrt
from statistics import NormalDist

import numpy as np

from raysplay.measure.definition import DEGREE, MILLIMETRE
from raysplay.measure.reader_error import ReaderError, minimal_detectable_change


class ConstructionMixed(ValueError):  # noqa: N818 - names what happened
    """Numbers of different constructions in one comparison."""


class Verdict(Enum):
    """What a difference of two reads amounts to."""

    BEYOND_ERROR = "beyond error"
    WITHIN_ERROR = "within error"
    NOT_COMPARABLE = "not comparable"


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
    splint : bool or None
        Whether a splint or spacer was in place; None where unknown.
    projection : str or None
        View, as written; None where unknown.
    tilt : float or None
        Tube tilt in degrees toward the heel; None where unknown.
    spacing_kind : str or None
        Kind of the pixel spacing; matters for lengths in mm.
    """

    measure: str
    unit: str
    construction: str
    value: float
    sd: float
    side: str
    year: float | None = None
    loading: str | None = None
    splint: bool | None = None
    projection: str | None = None
    tilt: float | None = None
    spacing_kind: str | None = None


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
        Second less first with its interval from the errors of both reads; ``nan`` if not comparable.
    reader_mdc, tool_mdc : float
        Minimal detectable change by the published reader error (``nan`` if there is none) and by the reads' own.
    """

    verdict: Verdict
    reasons: tuple[str, ...]
    caveats: tuple[str, ...]
    difference: float
    low: float
    high: float
    reader_mdc: float
    tool_mdc: float


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
    level: float = 0.90,
    detection_level: float = 0.95,
    largest_tilt_difference: float,
    names: tuple[str, str] = ("the first film", "the second film"),
) -> Change:
    """Compare two reads of one foot, the earlier first.

    Beyond error is a difference larger than both minimal detectable changes: that of published readers, which
    includes what another film of the same foot would give only as far as the source does, and that of the two reads
    themselves.

    Parameters
    ----------
    first, second : Read
    reader_error : ReaderError or None
        Of this measure, or None if none is published.
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
        If the two reads are of different measures, or the reader error is that of another one.

    Examples
    --------
    >>> before = Read("hva", "deg", "shaft", 31.0, 1.0, "R", 0.0, loading="full", splint=False, tilt=15.0)
    >>> after = Read("hva", "deg", "shaft", 24.0, 1.0, "R", 1.0, loading="full", splint=False, tilt=15.0)
    >>> change = compare(before, after, largest_tilt_difference=10.0)
    >>> change.verdict.value, change.difference, round(change.low, 2), round(change.tool_mdc, 2)
    ('beyond error', -7.0, -9.33, 2.77)
    """
    if first.measure != second.measure:
        raise ValueError(f"{first.measure} and {second.measure} are different measures")
    if reader_error is not None and reader_error.measure != first.measure:
        raise ValueError(f"the reader error is that of {reader_error.measure}, not of {first.measure}")
    reasons = _reasons(first, second, largest_tilt_difference, names)
    caveats = _caveats(first, second, names)
    reader_mdc = nan if reader_error is None else minimal_detectable_change(reader_error.sem, detection_level)
    sd = hypot(first.sd, second.sd)
    tool_mdc = minimal_detectable_change(sd / sqrt(2.0), detection_level)
    if reasons:
        return Change(Verdict.NOT_COMPARABLE, reasons, caveats, nan, nan, nan, reader_mdc, tool_mdc)
    difference = _difference(first, second)
    half = NormalDist().inv_cdf(0.5 + level / 2.0) * sd
    beyond = abs(difference) > tool_mdc and not abs(difference) <= reader_mdc
    return Change(
        Verdict.BEYOND_ERROR if beyond else Verdict.WITHIN_ERROR,
        (),
        caveats,
        difference,
        difference - half,
        difference + half,
        reader_mdc,
        tool_mdc,
    )


def trend(reads: Sequence[Read], *, level: float = 0.90, least_sd: float = 0.0) -> Trend:
    """Change a year over a whole series, by least squares weighted with the errors of the reads.

    Parameters
    ----------
    reads : sequence of Read
        Comparable reads of one foot; withheld ones are left out.
    level : float
        Of the interval.
    least_sd : float
        No read counts as better known than this; the published reader error, where the tool's own seems too small.

    Raises
    ------
    ConstructionMixed
        If the reads are of different constructions.
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


def _on(films: Sequence[str]) -> str:
    return "on both films" if len(films) == 2 else f"on {films[0]}"


def _reasons(first: Read, second: Read, largest_tilt_difference: float, names: tuple[str, str]) -> tuple[str, ...]:
    reasons = []
    if first.side != second.side:
        reasons.append(f"different sides: {first.side} and {second.side}")
    if first.construction != second.construction:
        reasons.append(f"different constructions: {first.construction} and {second.construction}")
    if first.unit != second.unit:
        reasons.append(f"different units: {first.unit} and {second.unit}")
    if None not in (first.loading, second.loading) and first.loading != second.loading:
        reasons.append(f"different loading: {first.loading} and {second.loading}")
    films = tuple(zip((first, second), names, strict=True))
    splinted = [name for read, name in films if read.splint]
    if splinted:
        reasons.append(f"splint or spacer in place {_on(splinted)}")
    if None not in (first.projection, second.projection) and first.projection != second.projection:
        reasons.append(f"different projections: {first.projection} and {second.projection}")
    if first.tilt is not None and second.tilt is not None and abs(first.tilt - second.tilt) > largest_tilt_difference:
        reasons.append(f"different projections: tube tilt {first.tilt:g} and {second.tilt:g} degrees")
    if (
        first.unit == MILLIMETRE
        and None not in (first.spacing_kind, second.spacing_kind)
        and first.spacing_kind != second.spacing_kind
    ):
        reasons.append(f"millimetres of different kinds: {first.spacing_kind} and {second.spacing_kind}")
    for read, name in films:
        if not (np.isfinite(read.value) and np.isfinite(read.sd)):
            reasons.append(f"withheld on {name}")
    return tuple(reasons)


def _caveats(first: Read, second: Read, names: tuple[str, str]) -> tuple[str, ...]:
    unknown: dict[str, tuple[object, object]] = {
        "loading": (first.loading, second.loading),
        "splint or spacer": (first.splint, second.splint),
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

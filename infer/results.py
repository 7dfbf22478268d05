"""What was measured on a film, as plain objects for Python.

The same numbers as in the tables of a run, with the same decimals. A person confirms every number that is used in care,
on the film itself; an accepted foot is not a confirmed one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from types import MappingProxyType

from raysplay.configs.errors import RaysplayError
from raysplay.configs.load import landmark_schema
from raysplay.infer.decide.decision import no_foot
from raysplay.infer.decide.wording import DECIMALS, number
from raysplay.infer.films.remark import Remark
from raysplay.infer.reason import Reason
from raysplay.infer.records import BeamAngle, FilmRecord, FloatArray, FootLandmarks, Outcome, Withheld
from raysplay.measure import Measure


class WithheldError(RaysplayError, ValueError):
    """A number was asked for that is not given; the message says why it is not."""


class UnknownMeasureError(RaysplayError, KeyError):
    """A measure that the protocol does not report; the message names those that it does."""

    def __str__(self) -> str:
        return str(self.args[0])


@dataclass(frozen=True)
class MeasuredValue:
    """One number of a foot, or why there is none. It is no diagnosis, and a person confirms it before use in care.

    Attributes
    ----------
    measure, abbreviation : str
        ``hva`` and ``HVA``.
    value : float or None
        In ``unit``; None where the number is not given. It is never guessed, and never ``nan``.
    low, high : float or None
        Its interval (90 % as shipped): how sure the points are, not what another film of the foot would give. None
        where there is no number, and where points came without a spread.
    unit : {'deg', 'mm', 'ratio'}
    construction : str
        How the axes were drawn. Numbers of different constructions are not interchangeable.
    withheld : Withheld or None
        Why there is no number; None where there is one, and for a refused foot.
    proven : bool
        Whether the error is known on bones that no generator drew, with these weights; False for given points.
    low_confidence : bool
        Whether the measure is known to be read badly on this view.
    why : str
        In words why there is no number; empty where there is one.

    Raises
    ------
    ValueError
        If there is neither a number nor a reason, or both.
    """

    measure: str
    abbreviation: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    construction: str
    withheld: Withheld | None
    proven: bool
    low_confidence: bool
    why: str = ""

    def __post_init__(self) -> None:
        if (self.value is None) != bool(self.why) or (self.value is not None and self.withheld is not None):
            raise ValueError(f"{self.measure}: either a number or the reason why there is none")
        if (self.low is None) != (self.high is None) or (self.value is None and self.low is not None):
            raise ValueError(f"{self.measure}: an interval has two ends and holds a number")

    def __float__(self) -> float:
        """The value.

        Raises
        ------
        WithheldError
            If there is none.
        """
        if self.value is None:
            raise WithheldError(f"{self.abbreviation} is not given: {self.why}")
        return self.value

    def __str__(self) -> str:
        """``HVA 31.5 deg (30.2 to 32.8), shaft``; with what must be known beside it, and why where there is none."""
        if self.value is None:
            return f"{self.abbreviation}: no number, {self.why}"
        said = f"{self.abbreviation} {number(self.value, self.unit)} {self.unit}"
        if self.low is not None and self.high is not None:
            said += f" ({number(self.low, self.unit)} to {number(self.high, self.unit)})"
        marks = ("" if self.proven else ", unproven") + (", low confidence" if self.low_confidence else "")
        return f"{said}, {self.construction}{marks}"


@dataclass(frozen=True)
class Landmark:
    """A point of a bone on the film.

    Attributes
    ----------
    code, bone : str
        As ``configs/landmarks.yaml`` lists them, which says how a person finds each.
    x, y : float
        Pixels of the film, x along columns, y along rows downward, pixel centres at integers.
    covariance : ndarray, shape (2, 2)
        Of x and y, square pixels.
    confidence : float
        Probability that it is on the film and where the model says, 0..1.
    """

    code: str
    bone: str
    x: float
    y: float
    covariance: FloatArray = field(compare=False, repr=False)
    confidence: float = 1.0


@dataclass(frozen=True)
class FootResult:
    """One foot of a film.

    Attributes
    ----------
    film : str
        As the tables name it.
    index : int
        Counts the feet of the film from 0.
    side : {'L', 'R'}
        By anatomy, from the picture alone.
    decision : Outcome
        ``ACCEPTED``, ``REVIEW`` (a person must look; the numbers are there to start from) or ``REFUSED`` (no numbers).
        Accepted does not mean confirmed.
    reasons : tuple of Reason
        Why, each a kind and a sentence; of an accepted foot remarks.
    measures : mapping of str to MeasuredValue
        Every reported measure by name, also those without a number, which say why.
    beam : BeamAngle or None
        How far the beam leant toward the heel where it met the foot, whole degrees: an unproven estimate, no measure of
        the foot. None where it cannot be told, and for a foot that was not accepted.
    """

    film: str
    index: int
    side: str
    decision: Outcome
    reasons: tuple[Reason, ...]
    measures: Mapping[str, MeasuredValue]
    _placed: Callable[[], Mapping[str, Landmark]] = field(repr=False, compare=False)
    beam: BeamAngle | None = None

    @cached_property
    def landmarks(self) -> Mapping[str, Landmark]:
        """Landmarks by code, only those that were placed; none of a refused foot."""
        return MappingProxyType(dict(self._placed()))

    def __getitem__(self, measure: str) -> MeasuredValue:
        """A reported measure by name.

        Raises
        ------
        UnknownMeasureError
            If the protocol does not report it.
        """
        if measure not in self.measures:
            raise UnknownMeasureError(f"{measure}: is not reported; there are {', '.join(self.measures)}")
        return self.measures[measure]


@dataclass(frozen=True)
class FilmResult:
    """One file: its feet, or why it has none.

    Attributes
    ----------
    film : str
        Path below the folder of films, as the tables name it.
    feet : tuple of FootResult
        All of them, whatever was decided; :func:`accepted` chooses.
    decision : Outcome or None
        ``REFUSED`` where no foot was found or the file gave no film; else None, since each foot has its own.
    reasons : tuple of Reason
        Why.
    remarks : tuple of Remark
        Caveats of the file.
    """

    film: str
    feet: tuple[FootResult, ...]
    decision: Outcome | None = None
    reasons: tuple[Reason, ...] = ()
    remarks: tuple[Remark, ...] = ()


def accepted(films: Iterable[FilmResult]) -> Iterator[FootResult]:
    """Feet that no check objected to. What is left out here is in review or refused, and accepted is not confirmed."""
    for film in films:
        yield from (foot for foot in film.feet if foot.decision is Outcome.ACCEPTED)


def film_result(record: FilmRecord, reported: Iterable[Measure], proven: frozenset[str]) -> FilmResult:
    """What the pipeline knows of a film, as plain objects."""
    reported = tuple(reported)
    feet = []
    for index, foot in enumerate(record.feet):
        refused = foot.decision.outcome is Outcome.REFUSED
        given = {} if refused else {one.measure: one for one in foot.measurements}
        values = {}
        for measure in reported:
            one = given.get(measure.name)
            numbers = None if one is None else (one.value, one.low, one.high)
            withheld = None if one is None else one.withheld
            why = refusal_words(foot.decision.reasons) if refused else ""
            values[measure.name] = measured_value(measure, numbers, measure.name in proven, withheld=withheld, why=why)
        placed = _Placed(foot.landmarks, refused)
        found, decision = foot.landmarks.foot, foot.decision
        about = record.film, index, found.side, decision.outcome, decision.reasons
        feet.append(FootResult(*about, MappingProxyType(values), placed, whole_degrees(foot.beam)))
    if feet:
        return FilmResult(record.film, tuple(feet), remarks=record.remarks)
    decision = record.decision or no_foot()
    return FilmResult(record.film, (), decision.outcome, decision.reasons, record.remarks)


def whole_degrees(beam: BeamAngle | None) -> BeamAngle | None:
    """The beam's angle with the decimals that tables have of it: none."""
    return None if beam is None else BeamAngle(*(float(round(one)) for one in (beam.value, beam.low, beam.high)))


def refusal_words(reasons: Iterable[Reason]) -> str:
    """Why a refused foot has no numbers."""
    return f"the foot was refused ({'; '.join(map(str, reasons))})"


def measured_value(
    measure: Measure,
    numbers: tuple[float, float, float] | None,
    proven: bool,
    *,
    withheld: Withheld | None = None,
    why: str = "",
) -> MeasuredValue:
    """A measure with its numbers, rounded as in the tables; without where they are ``nan`` or None.

    Parameters
    ----------
    numbers : (value, low, high) or None
    withheld : Withheld or None
        Why they are missing.
    why : str
        The same in words, where those of ``withheld`` do not tell all.

    Raises
    ------
    ValueError
        If there is neither a number nor a reason.
    """
    value, low, high = (
        None if one != one else round(one, DECIMALS[measure.unit]) + 0.0 for one in numbers or (float("nan"),) * 3
    )
    return MeasuredValue(
        measure.name,
        measure.abbreviation,
        value,
        low,
        high,
        measure.unit,
        measure.construction,
        withheld if value is None else None,
        proven,
        measure.low_confidence,
        "" if value is not None else why or (withheld.words if withheld else ""),
    )


@dataclass(frozen=True)
class _Placed:
    """Landmarks of one foot when they are asked for."""

    found: FootLandmarks
    refused: bool

    def __call__(self) -> dict[str, Landmark]:
        found = self.found
        return {} if self.refused else landmarks_by_code(found.points, found.covariance, found.confidence)


def landmarks_by_code(points: FloatArray, covariance: FloatArray, confidence: FloatArray) -> dict[str, Landmark]:
    """Placed landmarks by code.

    Parameters
    ----------
    points : ndarray, shape (L, 2)
        Schema order, pixels of the film; ``nan`` where not placed, which are left out.
    covariance : ndarray, shape (L, 2, 2)
        Square pixels.
    confidence : ndarray, shape (L,)
        0 to 1.

    Returns
    -------
    dict of str to Landmark
        In schema order.
    """
    schema = landmark_schema()
    return {
        code: Landmark(code, bone, float(x), float(y), covariance[i], float(confidence[i]))
        for i, (code, bone, (x, y)) in enumerate(zip(schema.codes, schema.bones, points, strict=True))
        if x == x and y == y
    }

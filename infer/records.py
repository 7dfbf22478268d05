"""What each stage hands to the next: film -> found feet -> landmarks -> measures -> decision."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

import numpy as np
import numpy.typing as npt

from raysplay.infer.films.remark import Remark
from raysplay.infer.reason import Reason

FloatArray = npt.NDArray[np.float64]


class Outcome(Enum):
    """What happens to a foot."""

    ACCEPTED = "accepted"
    REVIEW = "review"
    REFUSED = "refused"


OUTCOMES = tuple(outcome.value for outcome in Outcome)
"""By their words in tables, the best first."""


@dataclass(frozen=True)
class FoundFoot:
    """One foot found on a film.

    Attributes
    ----------
    film_from_crop : ndarray, shape (3, 3)
        Maps homogeneous pixel centres (x = column, y = row, centres at integers) of the upright crop
        (toes up, medial side on the left, as a right foot seen from above) to the film.
        Its determinant is negative for a left foot.
    side : {'L', 'R'}
        Side by anatomy, from the picture alone.
    side_probability, score : float
        Probability of that side, and of a foot being here at all, 0..1.
    view : dict of str to float
        Probability of each view: ``dp``, ``oblique``, ``lateral``, ``other``.
    reaches_beyond : bool
        Whether it was seen only with a margin laid round the film, as a foot that the film's edge cuts off.
    """

    film_from_crop: FloatArray
    side: str
    side_probability: float
    score: float
    view: dict[str, float]
    reaches_beyond: bool = False


@dataclass(frozen=True)
class FootLandmarks:
    """Landmarks of one foot in pixels of the film.

    Attributes
    ----------
    foot : FoundFoot
    points : ndarray, shape (L, 2)
        x (column) and y (row), pixel centres at integers, in schema order.
    covariance : ndarray, shape (L, 2, 2)
        Covariance of each point in square pixels of the film.
    confidence : ndarray, shape (L,)
        Probability that the landmark is on the film and where the model says, 0..1.
    conditions : dict of str to float
        Probability of each condition of ``CONDITIONS`` that makes a foot unlike those the model can measure.
    strangeness : float
        How far the picture is from training films, about 1 for one like them.
    """

    foot: FoundFoot
    points: FloatArray
    covariance: FloatArray
    confidence: FloatArray
    conditions: dict[str, float] = field(default_factory=dict)
    strangeness: float = 0.0


class Withheld(Enum):
    """Why a run gives no number for a measure; the value stands in the tables, ``words`` is for a person."""

    NO_POINTS = "no_points"
    """Points that it needs are missing, unsure beyond use, or off the film."""
    DOUBTFUL_POINTS = "doubtful_points"
    """It stands on points that the network doubts."""
    WIDE_INTERVAL = "wide_interval"
    """Its interval is wider than the limit."""
    NO_MILLIMETRES = "no_millimetres"
    """A length on a film whose pixel spacing gives none."""
    SIDE = "side"
    """Its points lie as on the other foot, so that the sign of an angle would be turned."""

    @property
    def words(self) -> str:
        """For a person."""
        return _WHY_WITHHELD[self]


_WHY_WITHHELD = {
    Withheld.NO_POINTS: "points that it needs are missing or off the film",
    Withheld.DOUBTFUL_POINTS: "it stands on doubtful points",
    Withheld.WIDE_INTERVAL: "its interval is too wide",
    Withheld.NO_MILLIMETRES: "the film's pixel spacing gives no millimetres",
    Withheld.SIDE: "its points lie as on the other foot than the run measured",
}


@dataclass(frozen=True)
class Measurement:
    """One number: value with its interval; all three ``nan`` where the measure is withheld.

    Attributes
    ----------
    proven : bool
        Whether its error is known on bones that no generator drew, for these weights (``configs/proof.yaml``).
    withheld : Withheld or None
        Why there is no number.
    """

    measure: str
    value: float
    low: float
    high: float
    unit: str
    construction: str
    proven: bool = False
    withheld: Withheld | None = None


@dataclass(frozen=True)
class BeamAngle:
    """How far the beam leant toward the heel where it met a foot, against the upright of its sole; degrees, unproven.

    ``low`` and ``high`` are the ends of its interval. By itself it decides nothing (``decide/ankle_view.py``).
    """

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Decision:
    """Outcome with its reasons; empty reasons only where accepted."""

    outcome: Outcome
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True)
class FootRecord:
    """Everything known of one foot, ready to be written; ``beam`` where the foot was accepted and it can be told."""

    landmarks: FootLandmarks
    measurements: tuple[Measurement, ...]
    decision: Decision
    beam: BeamAngle | None = None


@dataclass(frozen=True)
class FilmRecord:
    """Everything known of one film; ``decision`` speaks for the film where no foot was found.

    ``seconds`` by stage and ``operations`` of networks say what reading it cost.
    """

    film: str
    feet: tuple[FootRecord, ...]
    decision: Decision | None
    remarks: tuple[Remark, ...] = ()
    seconds: dict[str, float] | None = None
    operations: float = 0.0

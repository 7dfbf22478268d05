"""What a foot measures as a reader has it before them: model points and points placed by hand together."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from raysplay.configs.grades import scheme
from raysplay.configs.load import landmark_schema
from raysplay.configs.protocol import ReadingProtocol
from raysplay.configs.reader_error import reader_error
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.outputs.axis_lines import AxisLine, axis_lines, bone_of
from raysplay.infer.outputs.finished_run import FilmFacts, FootLandmarkTable
from raysplay.infer.records import FloatArray
from raysplay.infer.review.answers import AxisLandmarks
from raysplay.infer.review.settings import HandPlaced
from raysplay.measure import Measure, measure_feet, to_foot_frame, under, why_withheld
from raysplay.measure.axes import AXIS, CONSTRUCTIONS
from raysplay.measure.grades import Scale, grade

BoolArray = npt.NDArray[np.bool_]

AS_RUN = "run"
"""Construction that stands for whatever the run used for each measure."""


@dataclass(frozen=True)
class PlacedPoints:
    """Landmarks as a reader has them, in schema order.

    ``points`` (L, 2) in pixels of the film, ``nan`` where not placed; ``visible`` and ``moved`` (L,). A moved point
    was placed by hand and carries the reader's spread instead of the model's.
    """

    points: FloatArray
    visible: BoolArray
    moved: BoolArray


@dataclass(frozen=True)
class Measured:
    """One measure of a foot; value, low and high are ``nan`` where ``withheld`` says why."""

    measure: Measure
    value: float
    low: float
    high: float
    sd: float
    withheld: str


@dataclass(frozen=True)
class GradeGiven:
    """Grade of one measure, with the border nearest to its value and whether the error reaches that border.

    Where the scheme was not made for the value, ``grade`` is empty and ``why`` says so.
    """

    measure: str
    grade: str
    why: str
    border: float
    distance: float
    borderline: bool


def initial_points(landmarks: FootLandmarkTable, film: FilmFacts, withhold_below: float) -> PlacedPoints:
    """A foot's points as the model left them; those that are unsure or off the film are not visible."""
    x, y = landmarks.points.T
    on_film = (x >= -0.5) & (x <= film.columns - 0.5) & (y >= -0.5) & (y <= film.rows - 0.5)
    visible = on_film & (landmarks.confidence >= withhold_below)
    return PlacedPoints(landmarks.points, visible, np.zeros(len(visible), dtype=np.bool_))


class FootGauge:
    """Measures feet of one run.

    Parameters
    ----------
    reported : sequence of Measure
        As the run built them.
    protocol : ReadingProtocol
        For what the film's spacing may be used.
    limits : DecisionLimits
        For the level and the calibration of intervals.
    hand : HandPlaced
    """

    def __init__(
        self, reported: Sequence[Measure], protocol: ReadingProtocol, limits: DecisionLimits, hand: HandPlaced
    ) -> None:
        self._reported = tuple(reported)
        self._spacing = protocol.spacing_policy()
        self._level, self._inflation = limits.interval.level, limits.interval.inflation
        self._shape_sd = limits.interval.shape_sd
        self._hand = hand
        same = [one for one in CONSTRUCTIONS if self._under(one) == self._reported]
        self.construction = same[0] if same else AS_RUN
        self.constructions = CONSTRUCTIONS if same else (AS_RUN, *CONSTRUCTIONS)

    def _under(self, construction: str) -> tuple[Measure, ...]:
        return tuple(under(one.name, construction) for one in self._reported)

    def measures(self, construction: str) -> tuple[Measure, ...]:
        """The run's measures by one of :attr:`constructions`; those that lack it keep their own.

        Raises
        ------
        ValueError
            If it is none of them.
        """
        if construction not in self.constructions:
            raise ValueError(f"no construction {construction!r}; there are {', '.join(self.constructions)}")
        return self._reported if construction == AS_RUN else self._under(construction)

    def needed(self, construction: str) -> tuple[str, ...]:
        """Codes of the landmarks that the measures stand on, in schema order."""
        codes = {code for measure in self.measures(construction) for code in measure.landmarks}
        return tuple(code for code in landmark_schema().codes if code in codes)

    def measure(
        self, placed: PlacedPoints, covariance: FloatArray, side: str, film: FilmFacts, construction: str
    ) -> list[Measured]:
        """Every reported measure with its interval.

        The model's part of an interval is inflated as in the run; the part of hand-placed points is not, since the
        factors were calibrated for the model.

        Parameters
        ----------
        placed : PlacedPoints
        covariance : ndarray, shape (L, 2, 2)
            The model's, in square pixels.
        side : {'L', 'R'}
        film : FilmFacts
        construction : str

        Returns
        -------
        list of Measured
            In the order of the run; degrees, millimetres or a ratio, as the unit of the measure says.

        Raises
        ------
        ValueError
            If the construction is none of :attr:`constructions`.
        """
        schema, measures = landmark_schema(), self.measures(construction)
        by_hand = placed.moved[:, None, None]
        parts = np.stack([np.where(by_hand, 0.0, covariance), np.where(by_hand, self.hand_covariance(film), 0.0)])
        points, spread = to_foot_frame(
            np.broadcast_to(placed.points, (2, *placed.points.shape)),
            parts,
            [side, side],
            row_mm=film.row_mm,
            column_mm=film.column_mm,
            aspect=film.aspect,
        )
        assert spread is not None
        policy = self._spacing.get(film.spacing)
        millimetres = policy is not None and policy.millimetres and film.column_mm is not None
        visible = np.broadcast_to(placed.visible, (2, len(placed.visible)))
        found = measure_feet(
            points, spread, schema, visible=visible, level=self._level, measures=measures, millimetres=millimetres
        )
        quantile = NormalDist().inv_cdf(0.5 + self._level / 2.0)
        result = []
        for measure in measures:
            one = found[measure.name]
            # Where every point was placed by hand, the model's error with unusual shapes has no part in it.
            of_shape = self._shape_sd.get(measure.name, 0.0) if one.sd[0] > 0 else 0.0
            sd = float(np.hypot(np.hypot(self._inflation.get(measure.name, 1.0) * one.sd[0], of_shape), one.sd[1]))
            value = float(one.value[0]) if np.isfinite(sd) else np.nan
            ends = value + quantile * sd * np.array([-1.0, 1.0])
            low, high = ends if measure.bounds is None else np.clip(ends, *measure.bounds)
            (why,) = why_withheld([value], points[:1], schema, measure, visible=visible[:1], millimetres=millimetres)
            result.append(Measured(measure, value, float(low), float(high), sd, why))
        return result

    def hand_covariance(self, film: FilmFacts) -> FloatArray:
        """Covariance (2, 2) of a point placed by hand, in square pixels of the film."""
        if film.row_mm and film.column_mm:
            sd = self._hand.millimetres.value / np.array([film.column_mm, film.row_mm])
        else:
            sd = self._hand.pixels.value / np.array([1.0, film.aspect])
        return np.diag(sd**2)

    def axes(self, placed: PlacedPoints, construction: str) -> list[AxisLine]:
        """Axes of the measures on the film, each bone once, where both ends are placed and visible."""
        schema = landmark_schema()
        points = np.where(placed.visible[:, None], placed.points, np.nan)
        lines: dict[str, AxisLine] = {}
        for measure in self.measures(construction):
            for line in axis_lines(measure, schema, points):
                if np.isfinite(line.proximal).all() and np.isfinite(line.distal).all():
                    lines.setdefault(line.bone, line)
        return list(lines.values())

    def axis_landmarks(self, construction: str) -> list[AxisLandmarks]:
        """Axes of the measures by the landmarks whose means are their ends."""
        found: dict[str, AxisLandmarks] = {}
        for measure in self.measures(construction):
            for vector in measure.vectors:
                if vector.role == AXIS:
                    bone = bone_of(vector.landmarks[0])
                    start, end = list(vector.start.landmarks), list(vector.end.landmarks)
                    found.setdefault(bone, {"name": bone, "title": vector.name, "from": start, "to": end})
        return list(found.values())


def grades(
    measured: Iterable[Measured], scheme_name: str, possible: Mapping[str, tuple[float, float]]
) -> list[GradeGiven]:
    """Grades of what a scheme has scales for; withheld measures have none.

    The error is the larger of a reader's published one and this reading's own.

    Parameters
    ----------
    measured : iterable of Measured
    scheme_name : str
    possible : mapping of measure name to (least, greatest)
        Values that a foot film can show; what lies beyond is not graded.
    """
    given = []
    for one in measured:
        scale = scale_of(scheme_name, one.measure.name, possible)
        if scale is None or one.withheld or not np.isfinite(one.value):
            continue
        published = reader_error(one.measure.name)
        error = max(one.sd, published.sem if published else 0.0)
        graded = grade([one.value], scale, error)
        given.append(
            GradeGiven(
                one.measure.name,
                graded.words()[0],
                _outside(scale, one.value) if graded.outside[0] else "",
                float(graded.nearest[0]),
                float(graded.distance[0]),
                bool(graded.borderline[0]),
            )
        )
    return given


def scale_of(scheme_name: str, measure: str, possible: Mapping[str, tuple[float, float]]) -> Scale | None:
    """The scheme's scale of a measure, that grades no more than what a foot film can show; None if there is none."""
    scale = scheme(scheme_name).scale(measure)
    return None if scale is None else replace(scale, possible=possible.get(measure, scale.possible))


def _outside(scale: Scale, value: float) -> str:
    """Why a value has no grade."""
    if scale.possible is not None and not scale.possible[0] <= value <= scale.possible[1]:
        return "no grade: no foot film should show this ({:g} to {:g}), see the points".format(*scale.possible)
    least, greatest = scale.reach
    if np.isfinite(least) and np.isfinite(greatest):
        reach = f"{least:g} to {greatest:g}"
    else:
        reach = f"from {least:g} on" if np.isfinite(least) else f"up to {greatest:g}"
    return f"no grade: outside of what this scheme grades ({reach})"

"""Points and numbers of a foot as the page is told of them."""

from __future__ import annotations

from collections.abc import Sequence

from raysplay.configs.grades import scheme
from raysplay.configs.load import landmark_schema
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.records import FloatArray
from raysplay.infer.review import answers
from raysplay.infer.review.foot_numbers import FootNumbers
from raysplay.infer.review.model_output import ModelOutput
from raysplay.infer.review.reading import FootGauge, GradeGiven, PlacedPoints, grades
from raysplay.infer.review.refused import RefusedError
from raysplay.infer.review.shown import Shown
from raysplay.infer.review.standing import Reading
from raysplay.infer.review.worklist import number_or_none, shown_number
from raysplay.measure import Measure


class FootAnswers:
    """Answers about feet of one run. Feet are numbered from 0.

    Parameters
    ----------
    output : ModelOutput
    numbers : FootNumbers
    gauge : FootGauge
    limits : DecisionLimits
    """

    def __init__(self, output: ModelOutput, numbers: FootNumbers, gauge: FootGauge, limits: DecisionLimits) -> None:
        self._output, self._numbers, self._gauge, self._limits = output, numbers, gauge, limits

    def points(self, foot: int, reading: Reading) -> list[answers.FootPoint]:
        """All landmarks in schema order; null where a landmark is not placed or has no spread."""
        table, placed = self._output.points(foot)[0], reading.placed
        initial = self._output.initial(foot, reading.anew)
        by_a_hand = self._gauge.hand_covariance(self._output.film(foot))
        rows: list[answers.FootPoint] = []
        for i, code in enumerate(landmark_schema().codes):
            by_hand, of_model = bool(placed.moved[i]), not reading.anew
            spread = by_a_hand if by_hand else table.covariance[i]
            known = by_hand or of_model
            unsure = table.confidence[i] < self._limits.landmarks.doubtful_below
            rows.append(
                {
                    "code": code,
                    "x": number_or_none(placed.points[i, 0]),
                    "y": number_or_none(placed.points[i, 1]),
                    "visible": bool(placed.visible[i]),
                    "moved": by_hand,
                    "model_x": number_or_none(initial.points[i, 0]),
                    "model_y": number_or_none(initial.points[i, 1]),
                    "var_x": number_or_none(spread[0, 0]) if known else None,
                    "cov_xy": number_or_none(spread[0, 1]) if known else None,
                    "var_y": number_or_none(spread[1, 1]) if known else None,
                    "confidence": number_or_none(table.confidence[i]) if of_model else None,
                    "doubtful": bool(of_model and not by_hand and unsure),
                }
            )
        return rows

    def measurements(
        self, foot: int, shown: Sequence[Shown], reading: Reading, grading: str
    ) -> answers.OpenMeasurements:
        """Measures, axes and grades.

        Raises
        ------
        RefusedError
            If there is no such grading.
        """
        try:
            scheme(grading)
        except KeyError:
            raise RefusedError("there is no such grading") from None
        given = grades([one.measured() for one in shown], grading, self._limits.shape.values)
        return {
            "side": reading.side,
            "shown_as": self._numbers.frame(foot, reading.placed, reading.anew),
            "measures": [_measured(one, proven(self._output.run, one.measure)) for one in shown],
            "axes": self._axes(reading.placed, reading.construction),
            "grading": grading,
            "grades": [_grade(one) for one in given],
        }

    def _axes(self, placed: PlacedPoints, construction: str) -> list[answers.Axis]:
        return [
            {"name": line.bone, "title": line.name, "from": _place(line.proximal), "to": _place(line.distal)}
            for line in self._gauge.axes(placed, construction)
        ]


def proven(run: FinishedRun, measure: Measure) -> bool:
    """Whether its error is known on bones that no generator drew: as the run recorded it, by how it was built."""
    if measure in run.measures:
        return measure.name in run.proven
    return bool(run.proven_among((measure,)))


def _measured(one: Shown, is_proven: bool) -> answers.OpenMeasured:
    measure, held = one.measure, one.held
    value, low, high = (shown_number(v, measure.unit) for v in one.given)
    why: answers.Held | None = None
    if held is not None:
        why = {
            "cause": held.cause,
            "words": held.words,
            "by_run": held.by_run,
            "points": list(held.codes),
            "acceptable": one.exists,
        }
    return {
        "name": measure.name,
        "value": value,
        "low": low,
        "high": high,
        "unit": measure.unit,
        "construction": measure.construction,
        "withheld": one.withheld or None,
        "held": why,
        "accepted": None if one.accepted is None or held is None else one.accepted["by"],
        "proven": is_proven,
        "low_confidence": measure.low_confidence,
    }


def _grade(one: GradeGiven) -> answers.Grade:
    return {
        "measure": one.measure,
        "grade": one.grade,
        "why": one.why or None,
        "border": number_or_none(one.border),
        "distance": number_or_none(one.distance),
        "borderline": one.borderline,
    }


def _place(point: FloatArray) -> tuple[float, float]:
    """Pixels of the film with three decimals; axes have no end that lies nowhere."""
    x, y = (round(float(v), 3) for v in point)
    return x, y

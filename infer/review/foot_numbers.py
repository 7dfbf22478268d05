"""Which numbers a foot has on the points of a reading: the run's, a read's or new ones, given or held back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.records import Withheld
from raysplay.infer.review.held import SIDE, Held, held_back
from raysplay.infer.review.model_output import ModelOutput
from raysplay.infer.review.reading import FootGauge, Measured, PlacedPoints
from raysplay.infer.review.shown import NOTHING, Numbers, Shown
from raysplay.infer.review.standing import NUMBERLESS, Reading, Standing
from raysplay.infer.review.worklist import shown_number
from raysplay.measure import Measure, shown_side

_NO_SIDE_SHOWN = "which way round the foot lies is not known: place the first metatarsal and another one"


class FootNumbers:
    """Numbers of feet of one run. Feet are numbered from 0.

    Parameters
    ----------
    output : ModelOutput
    gauge : FootGauge
    limits : DecisionLimits
    """

    def __init__(self, output: ModelOutput, gauge: FootGauge, limits: DecisionLimits) -> None:
        self._output, self._gauge, self._limits = output, gauge, limits
        self._run = output.run
        self._codes = landmark_schema().codes
        names = frozenset(measure.name for measure in self._run.measures)
        # All decide where the run reports none of those that the limits name.
        self._deciding = names & frozenset(limits.interval.decides) or names

    def shown(self, foot: int, reading: Reading, standing: Standing | None = None) -> list[Shown]:
        """Every measure of a reading, in the order of the run.

        A number that nobody touched is the one that stands: of the last read, or of the run's own table.
        """
        table, _ = self._output.points(foot)
        frame = self.frame(foot, reading.placed, reading.anew)
        film = self._output.film(foot)
        found = self._gauge.measure(reading.placed, table.covariance, frame or "R", film, reading.construction)
        told = self.told(foot, frame, reading.anew)
        touched = self.touched(foot, reading)
        rows = []
        for i, one in enumerate(found):
            measure = one.measure
            as_run = measure.construction == self._run.measures[i].construction
            by_hand = not as_run or reading.anew or not touched.isdisjoint(measure.landmarks)
            numbers = self._numbers(foot, i, one, reading, standing, frame, by_hand) if frame else NOTHING
            why_none = "" if np.isfinite(numbers[0]) else one.withheld if frame else _NO_SIDE_SHOWN
            held = self._held(foot, reading, one, told.get(measure.name) if as_run else None, as_run, by_hand)
            rows.append(Shown(measure, numbers, one.sd, why_none, held, reading.accepted.get(measure.name), by_hand))
        return rows

    def frame(self, foot: int, placed: PlacedPoints, anew: bool) -> str:
        """As which side the picture shows a foot (L, R), which gives its angles their sign; empty where unknown.

        The points tell. Where they do not, it is what the run saw in the picture, unless that does not count.
        """
        schema = landmark_schema()
        told = shown_side(placed.points, schema, placed.visible) or shown_side(placed.points, schema)
        return told or ("" if anew else self._output.seen_as(foot))

    def told(self, foot: int, frame: str, anew: bool) -> Mapping[str, Withheld | str]:
        """Measures that the run held back, and why; all of them where the points lie as on the other foot.

        That is so where the model's own points do, and where enough of them were moved to turn the sign of the rest.
        """
        if anew:
            return {}
        seen = self._output.seen_as(foot)
        initial = self._output.initial(foot, anew=False)
        if seen and frame and not frame == seen == self.frame(foot, initial, anew=False):
            return {measure.name: SIDE for measure in self._run.measures}
        return self._output.withheld(foot)

    def touched(self, foot: int, reading: Reading) -> frozenset[str]:
        """Codes of landmarks that are not as they were before any hand."""
        placed, initial = reading.placed, self._output.initial(foot, reading.anew)
        changed = placed.moved | (placed.visible != initial.visible)
        return frozenset(code for code, is_changed in zip(self._codes, changed, strict=True) if is_changed)

    def same(self, foot: int, standing: Standing, reading: Reading, measure: Measure) -> bool:
        """Whether a measure is built in the same way and on the same points as in what stands."""
        return self._same(standing, reading, measure, self.frame(foot, reading.placed, reading.anew))

    def on_same_points(self, one: Reading, other: Reading, measure: Measure) -> bool:
        """Whether what a measure stands on lies alike in two readings, placed by hand or not."""
        before, now = one.placed, other.placed
        needed = [self._codes.index(code) for code in measure.landmarks]
        return (
            one.anew == other.anew
            and np.array_equal(before.points[needed], now.points[needed], equal_nan=True)
            and np.array_equal(before.visible[needed], now.visible[needed])
            and np.array_equal(before.moved[needed], now.moved[needed])
        )

    def doubted(self, foot: int, standing: Standing) -> frozenset[str]:
        """Landmarks that the model doubts, that no hand placed, and on which no number stands that was given."""
        table, placed = self._output.points(foot)[0], standing.placed
        given = {
            code
            for one in self.shown(foot, standing.reading, standing)
            if not one.withheld
            for code in one.measure.landmarks
        }
        doubtful = ~(table.confidence >= self._limits.landmarks.doubtful_below) & ~placed.moved
        return frozenset(code for i, code in enumerate(self._codes) if doubtful[i] and code not in given)

    def _numbers(
        self,
        foot: int,
        measure: int,
        found: Measured,
        reading: Reading,
        standing: Standing | None,
        frame: str,
        by_hand: bool,
    ) -> Numbers:
        """Those of the read that stands, else those of the run, else what the points give now."""
        numbers = self._of_read(standing, reading, found.measure, frame)
        if not np.isfinite(numbers[0]) and not by_hand and frame == self._output.seen_as(foot):
            numbers = self._of_run(foot, measure)
        if not np.isfinite(numbers[0]) and np.isfinite(found.value):
            numbers = _rounded((found.value, found.low, found.high), found.measure.unit)
        return numbers

    def _of_run(self, foot: int, measure: int) -> Numbers:
        numbers = self._output.numbers(foot)
        if numbers is None:
            return NOTHING
        value, low, high = (float(v) for v in numbers[measure])
        return value, low, high

    def _of_read(self, standing: Standing | None, reading: Reading, measure: Measure, frame: str) -> Numbers:
        """Numbers of the read that stands, where nothing that the measure stands on was changed since."""
        if standing is None:
            return NOTHING
        value, low, high, _, _ = standing.content["values"].get(measure.name, (None, None, None, "", False))
        if value is None or not self._same(standing, reading, measure, frame):
            return NOTHING
        return value, low, high

    def _same(self, standing: Standing, reading: Reading, measure: Measure, frame: str) -> bool:
        stands = standing.content["values"].get(measure.name)
        return (
            stands is not None
            and stands[3] == measure.construction
            and standing.content["frame"] == frame
            and self.on_same_points(standing.reading, reading, measure)
        )

    def _held(
        self, foot: int, reading: Reading, found: Measured, told: Withheld | str | None, as_run: bool, by_hand: bool
    ) -> Held | None:
        if not self._output.holds_back:
            return None
        table, initial = self._output.points(foot)
        return held_back(
            found.measure,
            told,
            ask=not as_run and found.measure.name not in self._deciding and not reading.anew,
            by_hand=by_hand,
            width=found.high - found.low,
            placed=reading.placed,
            initial=initial,
            table=table,
            limits=self._limits,
        )


def without_numbers(shown: Iterable[Shown], standing: Standing) -> list[Shown]:
    """Measures of a foot that somebody settled as one without numbers."""
    reason = standing.content["reason"]
    why = f"{NUMBERLESS[standing.state]}{f': {reason}' if reason else ''}"
    return [replace(one, numbers=NOTHING, why_none=why, held=None, accepted=None) for one in shown]


def _rounded(numbers: Sequence[float], unit: str) -> Numbers:
    """Value, low and high with the decimals that are meant."""
    value, low, high = (np.nan if (known := shown_number(v, unit)) is None else known for v in numbers)
    return value, low, high

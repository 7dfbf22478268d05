"""What a read keeps of a foot (its content, as JSON holds it), and a foot as a content says it."""

from __future__ import annotations

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.infer.records import Withheld
from raysplay.infer.review.earlier import completed, is_earlier, taken_over
from raysplay.infer.review.foot_numbers import FootNumbers
from raysplay.infer.review.held import SIDE
from raysplay.infer.review.model_output import ModelOutput
from raysplay.infer.review.reading import PlacedPoints
from raysplay.infer.review.standing import Json, Reading, Standing
from raysplay.infer.review.worklist import OPEN, number_or_none, shown_number


class Contents:
    """Contents of reads of one run. Feet are numbered from 0.

    Parameters
    ----------
    output : ModelOutput
    numbers : FootNumbers
    constructions : sequence of str
        That the run's measures can be built by.
    construction : str
        Before a reader chooses another.
    """

    def __init__(
        self, output: ModelOutput, numbers: FootNumbers, constructions: tuple[str, ...], construction: str
    ) -> None:
        self._output, self._numbers = output, numbers
        self._constructions, self._construction = constructions, construction
        self._codes = landmark_schema().codes

    def of_model(self, foot: int) -> Json:
        """A foot as the run left it, in the form of a read's content.

        Numbers of a foot whose points lie as on the other foot than the run took it for are held back: their sign is
        turned. The points tell it, never the sign of a number: an angle below zero turns positive.
        """
        side, values = self._output.named(foot), self._values_of_model(foot)
        seen, frame = (
            self._output.seen_as(foot),
            self._numbers.frame(foot, self._output.initial(foot, False), anew=False),
        )
        turned = bool(seen and frame and frame != seen)
        every = {measure.name: SIDE for measure in self._output.run.measures}
        told = every if turned else self._output.withheld(foot)
        withheld = {name: why.value if isinstance(why, Withheld) else why for name, why in told.items()}
        if frame != seen:
            values = {name: [None, None, None, *rest] for name, (_, _, _, *rest) in values.items()}
        content: Json = completed(
            {
                "state": OPEN,
                "side": side,
                "frame": frame,
                "construction": self._construction,
                "points": {},
                "values": values,
                "withheld": withheld,
                "corrected_by": None,
                "reason": "",
                "note": "",
            }
        )
        return content

    def now(self, foot: int, saved: Json) -> Json:
        """A saved read as it counts now: one of an earlier version without what this one would not give."""
        if not is_earlier(saved):
            known: Json = completed(saved)
            return known
        side = self._output.seen_as(foot)
        untouched = saved["side"] == side and not saved["points"] and not self._output.withheld(foot)
        if side and untouched:  # nothing that its points could tell
            plain: Json = taken_over(saved, side, side, {})
            return plain
        reading = self.reading(foot, saved)
        frame = self._numbers.frame(foot, reading.placed, anew=False)
        held: dict[str, str] = {}
        if saved["values"] and self._numbers.told(foot, frame, anew=False):
            held = {one.measure.name: one.cause for one in self._numbers.shown(foot, reading) if one.cause}
        taken: Json = taken_over(saved, frame, self._output.named(foot), held)
        return taken

    def reading(self, foot: int, content: Json) -> Reading:
        """What a read left, its points over those before any hand."""
        anew = content.get("anew", False)
        initial = self._output.initial(foot, anew)
        points, visible, moved = initial.points.copy(), initial.visible.copy(), initial.moved.copy()
        for code, (x, y, seen, by_hand) in content["points"].items():
            if code in self._codes:
                i = self._codes.index(code)
                points[i] = np.nan if x is None else x, np.nan if y is None else y
                visible[i], moved[i] = seen, by_hand
        built = content["construction"]
        construction = built if built in self._constructions else self._construction
        placed = PlacedPoints(points, visible, moved)
        return Reading(content["side"], construction, placed, anew, content.get("accepted", {}))

    def standing_of_model(self, foot: int) -> Standing:
        """A foot before its first read."""
        content = self.of_model(foot)
        initial = self._output.initial(foot, anew=False)
        return Standing(0, OPEN, Reading(content["side"], self._construction, initial), None, None, content)

    def standing(self, foot: int, version: int, at: str, reader: str, saved: Json) -> Standing:
        """A foot after a read that ``reader`` saved at a time (ISO 8601)."""
        content = self.now(foot, saved)
        reading = self.reading(foot, content)
        by = content["corrected_by"], content["side_by"]
        return Standing(version, content["state"], reading, *by, content, reader, at)

    def remeasured(self, foot: int, content: Json) -> Json:
        """The same content with its points measured as this run does it."""
        standing = self.standing(foot, 0, "", "", content)
        reading = standing.reading
        return {
            **standing.content,
            "frame": self._numbers.frame(foot, reading.placed, reading.anew),
            "construction": standing.construction,
            **self.worked_out(foot, reading),
        }

    def worked_out(self, foot: int, reading: Reading, standing: Standing | None = None) -> Json:
        """Numbers of a reading as a read keeps them: given ones, those that were accepted, and why others are held."""
        shown = self._numbers.shown(foot, reading, standing)
        return {
            "values": {
                one.measure.name: [
                    *(shown_number(v, one.measure.unit) for v in one.given),
                    one.measure.construction,
                    one.by_hand,
                ]
                for one in shown
            },
            "accepted": {
                one.measure.name: one.accepted for one in shown if one.accepted is not None and one.held is not None
            },
            "withheld": {one.measure.name: one.cause for one in shown if one.cause},
        }

    def points(self, foot: int, reading: Reading) -> Json:
        """Points that are not as they were before any hand: x and y in pixels, visible, moved."""
        touched, placed = self._numbers.touched(foot, reading), reading.placed
        return {
            code: [
                number_or_none(placed.points[i, 0]),
                number_or_none(placed.points[i, 1]),
                bool(placed.visible[i]),
                bool(placed.moved[i]),
            ]
            for i, code in enumerate(self._codes)
            if code in touched
        }

    def _values_of_model(self, foot: int) -> Json:
        """Numbers of the run's tables by measure: value, low, high, construction, and that no hand was in it."""
        numbers = self._output.numbers(foot)
        if numbers is None:
            return {}
        return {
            measure.name: [*(shown_number(v, measure.unit) for v in numbers[i]), measure.construction, False]
            for i, measure in enumerate(self._output.run.measures)
        }

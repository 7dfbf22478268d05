"""Verdicts: which may be given on a foot as it stands, and what stands after each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from raysplay.infer.review.acceptance import accepted
from raysplay.infer.review.answers import State
from raysplay.infer.review.contents import Contents
from raysplay.infer.review.foot_numbers import FootNumbers
from raysplay.infer.review.reading import FootGauge
from raysplay.infer.review.refused import RefusedError
from raysplay.infer.review.requests import ReadSent, Verdict
from raysplay.infer.review.standing import NUMBERLESS, Json, Reading, Standing
from raysplay.infer.review.worklist import CONFIRMED, CORRECTED, NOT_MEASURABLE, OPEN, WRONG_SIDE, WRONG_VIEW
from raysplay.measure.sides import other_side

_STATE_AFTER: dict[Verdict, State] = {
    "confirm": CONFIRMED,
    "correct": CORRECTED,
    "cannot_be_measured": NOT_MEASURABLE,
    "wrong_side": WRONG_SIDE,
    "wrong_view": WRONG_VIEW,
    "reopen": OPEN,
}


class Verdicts:
    """What verdicts make of feet. Feet are numbered from 0.

    Parameters
    ----------
    numbers : FootNumbers
    contents : Contents
    gauge : FootGauge
    """

    def __init__(self, numbers: FootNumbers, contents: Contents, gauge: FootGauge) -> None:
        self._numbers, self._contents, self._gauge = numbers, contents, gauge

    def after(
        self, foot: int, standing: Standing, reading: Reading, sent: ReadSent, reader: str, *, check: bool = True
    ) -> Json:
        """Content of what stands after a read.

        Parameters
        ----------
        foot : int
        standing : Standing
            What stands before.
        reading : Reading
            The foot as the page has it.
        sent : ReadSent
        reader : str
            Initials.
        check : bool
            Whether a verdict that does not fit is refused; else it is worked out all the same, to be shown.

        Raises
        ------
        RefusedError
            If the verdict does not fit the foot or lacks something.
        """
        if sent.verdict == "wrong_side" and sent.side is None:
            reading = replace(reading, side=other_side(standing.side))
        changed, renamed = _changed(reading, standing.reading), reading.side != standing.side
        if check:
            _check(sent, standing, reading, changed, renamed)
        state = _STATE_AFTER[sent.verdict]
        worked_out: Json = {"values": {}, "accepted": {}, "withheld": {}}
        if state not in NUMBERLESS:
            taken = accepted(self._numbers, foot, reading, standing, sent, reader, check=check)
            worked_out = self._contents.worked_out(foot, replace(reading, accepted=taken), standing)
        return {
            "state": state,
            "side": reading.side,
            "frame": self._numbers.frame(foot, reading.placed, reading.anew),
            "anew": reading.anew,
            "construction": reading.construction,
            "points": self._contents.points(foot, reading),
            **worked_out,
            "corrected_by": reader if changed else standing.corrected_by,
            "hands": self._hands(foot, reading, standing, reader),
            "side_by": reader if renamed else standing.side_by,
            "reason": sent.reason.strip(),
            "note": sent.note.strip(),
        }

    def _hands(self, foot: int, reading: Reading, standing: Standing, reader: str) -> dict[str, str]:
        """Who changed last what each number in which a hand had part stands on, by measure."""
        before = {measure.name: measure for measure in self._gauge.measures(standing.construction)}
        hands: dict[str, str] = {}
        for one in self._numbers.shown(foot, reading):
            measure = one.measure
            if one.by_hand:
                same = measure.construction == before[measure.name].construction
                untouched = same and self._numbers.on_same_points(standing.reading, reading, measure)
                hands[measure.name] = (standing.hand(measure.name) if untouched else None) or reader
        return hands


def _changed(reading: Reading, before: Reading) -> bool:
    """Whether a point, the construction, or whether the model's points count is another than before."""
    return (
        reading.construction != before.construction
        or reading.anew != before.anew
        or not np.array_equal(reading.placed.points, before.placed.points, equal_nan=True)
        or not np.array_equal(reading.placed.visible, before.placed.visible)
        or not np.array_equal(reading.placed.moved, before.placed.moved)
    )


def _check(sent: ReadSent, standing: Standing, reading: Reading, changed: bool, renamed: bool) -> None:
    verdict, side = sent.verdict, reading.side
    if verdict == "reopen":
        if standing.state == OPEN:
            raise RefusedError("this foot is open already")
        if changed or renamed or sent.accepted is not None:
            raise RefusedError("reopen the foot first, then change it")
    elif standing.state == CONFIRMED:
        raise RefusedError(f"{standing.reader} confirmed this foot: reopen it before it is changed")
    if verdict == "confirm" and (changed or renamed):
        raise RefusedError("something was changed: save it as a correction")
    if verdict == "correct" and not side:
        raise RefusedError("no foot was found here: state the side first")
    if verdict == "cannot_be_measured" and not sent.reason.strip():
        raise RefusedError("say why the foot cannot be measured")
    if verdict == "wrong_side" and not (side and (renamed or reading.anew)):
        raise RefusedError("state the right side, or that the points are to be placed anew")

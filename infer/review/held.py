"""Numbers that are held back until a person takes each of them by itself, or has dealt with what they stand on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.outputs.finished_run import FootLandmarkTable
from raysplay.infer.records import Withheld
from raysplay.infer.review.reading import PlacedPoints
from raysplay.measure import Measure

SIDE = Withheld.SIDE.value
"""The points lie as on the other foot than the run measured."""
UNKNOWN = "unknown"
"""The run gave no number, and an earlier version kept no reason."""
NOT_SETTLED = "sign_turned"
"""An earlier version turned the sign of the angles with the name of the foot (:mod:`.earlier`)."""

_WORDS = {
    **{one.value: one.words for one in Withheld},
    UNKNOWN: "the run gave no number",
    NOT_SETTLED: "an earlier version turned its sign with the name of the foot",
}


@dataclass(frozen=True)
class Held:
    """Why a number is held back.

    Attributes
    ----------
    cause : str
        Value of a :class:`~raysplay.infer.records.Withheld`, or one of this module's.
    by_run : bool
        Whether the run withheld it; else it is so since the reader chose another construction.
    codes : tuple of str
        Landmarks that it waits for: once a hand has placed all of them, it is held no more.
    """

    cause: str
    by_run: bool
    codes: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """For a person, after "withheld:"."""
        return cause_in_words(self.cause)


def cause_in_words(cause: str) -> str:
    """Why a number is held back, in words; a cause that this version does not know stands for itself."""
    return _WORDS.get(cause, cause.replace("_", " "))


def held_back(
    measure: Measure,
    told: Withheld | str | None,
    *,
    ask: bool,
    by_hand: bool,
    width: float,
    placed: PlacedPoints,
    initial: PlacedPoints,
    table: FootLandmarkTable,
    limits: DecisionLimits,
) -> Held | None:
    """Why the number of a measure is held back on these points; None where it may be given.

    What the run withheld stays so until every point that made it unsure was placed by hand and its interval is no
    wider than the limit. That a hand moved another bone changes nothing.

    Parameters
    ----------
    measure : Measure
        As it is built here.
    told : Withheld or str or None
        Why the run withheld it; :data:`SIDE` where the points lie as on the other foot.
    ask : bool
        Whether to judge points and interval though the run withheld nothing: a measure that decides nothing over the
        foot, by a construction that the run did not use.
    by_hand : bool
        Whether a hand has part in the measure.
    width : float
        Of its interval on these points, in the measure's unit.
    placed, initial : PlacedPoints
        As they are, and as the model left them.
    table : FootLandmarkTable
    limits : DecisionLimits
    """
    if told is None and not ask:
        return None
    cause = told.value if isinstance(told, Withheld) else told
    codes = _waited_for(measure, told, placed, initial, table, limits.landmarks.doubtful_below)
    if cause == SIDE and not codes:
        return None
    limit = limits.interval.widest.get(measure.name)
    if codes:
        return Held(cause or Withheld.DOUBTFUL_POINTS.value, told is not None, codes)
    if limit is not None and width > limit:
        return Held(Withheld.WIDE_INTERVAL.value, told is not None)
    if cause is not None and not by_hand:
        return Held(cause, by_run=True)
    return None


def _waited_for(
    measure: Measure,
    told: Withheld | str | None,
    placed: PlacedPoints,
    initial: PlacedPoints,
    table: FootLandmarkTable,
    doubtful_below: float,
) -> tuple[str, ...]:
    """Codes of the landmarks that made a measure unsure and that no hand has placed."""
    schema = landmark_schema()
    needed = [schema.index(code) for code in measure.landmarks]
    waiting = [i for i in needed if not placed.moved[i]]
    doubted = [i for i in waiting if not table.confidence[i] >= doubtful_below]
    causing = doubted
    if told in (SIDE, Withheld.SIDE):
        causing = waiting
    elif told is Withheld.NO_POINTS:
        unusable = [i for i in needed if not initial.visible[i] or not np.isfinite(initial.points[i]).all()]
        weak = [i for i in needed if not table.confidence[i] >= doubtful_below]
        # Where none is to be found, the run had a reason of its own (a cast, metal): all of them count.
        causing = [i for i in set(unusable or weak or needed) | set(doubted) if i in waiting]
    return tuple(schema.codes[i] for i in sorted(causing))

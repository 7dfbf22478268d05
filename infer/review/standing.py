"""A foot as somebody has it before them, and as it stands after its last read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from raysplay.infer.review.answers import State
from raysplay.infer.review.reading import PlacedPoints
from raysplay.infer.review.worklist import NOT_MEASURABLE, WRONG_VIEW

Json = dict[str, Any]

NUMBERLESS: dict[str, str] = {NOT_MEASURABLE: "cannot be measured", WRONG_VIEW: "wrong view"}
"""States without numbers, in words."""


@dataclass(frozen=True)
class Reading:
    """A foot as somebody has it before them, saved or not.

    Attributes
    ----------
    side : str
        What the foot is called. It has no part in any number: on a mirrored film a left foot looks like a right one.
    construction : str
    placed : PlacedPoints
    anew : bool
        Whether the model's points do not count, since they lie on another foot or medial and lateral are exchanged:
        what no hand placed lies nowhere.
    accepted : mapping of measure to dict
        Numbers that somebody took though they are held back: ``by``, ``cause``, ``by_run``.
    """

    side: str
    construction: str
    placed: PlacedPoints
    anew: bool = False
    accepted: Mapping[str, Json] = field(default_factory=dict)


@dataclass(frozen=True)
class Standing:
    """A foot as it stands: version 0 is what the model left.

    Attributes
    ----------
    version : int
    state : str
    reading : Reading
    corrected_by : str or None
        The last reader who changed a point or the construction; None where that is the model.
    side_by : str or None
        Who said what the foot is called; None where that is the model.
    content : dict
        As the store keeps it.
    reader, at : str
        Who saved it, and when (ISO 8601); empty where nobody did.
    """

    version: int
    state: State
    reading: Reading
    corrected_by: str | None
    side_by: str | None
    content: Json
    reader: str = ""
    at: str = ""

    def hand(self, measure: str) -> str | None:
        """Who changed last what a number stands on; an earlier version kept only who changed the foot last."""
        by: str | None = self.content["hands"].get(measure, self.corrected_by)
        return by

    @property
    def side(self) -> str:
        """What the foot is called: L, R or empty."""
        return self.reading.side

    @property
    def construction(self) -> str:
        """By which its axes are drawn."""
        return self.reading.construction

    @property
    def placed(self) -> PlacedPoints:
        """Its points."""
        return self.reading.placed

"""A measure as it is handed to a reader: with a number, or held back and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from raysplay.infer.review.held import Held
from raysplay.infer.review.reading import Measured
from raysplay.measure import Measure

Numbers = tuple[float, float, float]
NOTHING: Numbers = (np.nan, np.nan, np.nan)


@dataclass(frozen=True)
class Shown:
    """One measure on the points of a reading.

    Attributes
    ----------
    measure : Measure
    numbers : (float, float, float)
        Value, low and high with the decimals that are meant, also where they are held back; ``nan`` where there are
        none at all.
    sd : float
    why_none : str
        Why there are none; empty where there are.
    held : Held or None
        Why they are not given, or would not be had nobody accepted them.
    accepted : dict or None
        Who accepted the number though it is held back, and the cause then.
    by_hand : bool
        Whether a hand had part in the number.
    """

    measure: Measure
    numbers: Numbers
    sd: float
    why_none: str
    held: Held | None
    accepted: dict[str, Any] | None
    by_hand: bool

    @property
    def exists(self) -> bool:
        """Whether the points give a number at all."""
        return bool(np.isfinite(self.numbers[0]))

    @property
    def given(self) -> Numbers:
        """Value, low and high as a reader may have them; ``nan`` where held back."""
        return NOTHING if self.held is not None and self.accepted is None else self.numbers

    @property
    def withheld(self) -> str:
        """Why no number is given, in a sentence; empty where one is."""
        if not self.exists:
            return self.why_none
        if self.held is None or self.accepted is not None:
            return ""
        return f"withheld{' by the run' if self.held.by_run else ''}: {self.held.words}"

    @property
    def cause(self) -> str:
        """Name of the reason for which no number is given, for tables; empty where one is."""
        if not self.withheld:
            return ""
        return self.held.cause if self.held is not None else "no_points"

    def measured(self) -> Measured:
        """What is graded: a number that is held back has no grade."""
        value, low, high = self.given
        return Measured(self.measure, value, low, high, self.sd, self.withheld)

"""What the model left of each foot, as far as a review shows it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from functools import lru_cache

import numpy as np

from raysplay.configs.load import landmark_schema
from raysplay.infer.outputs.finished_run import FilmFacts, FinishedRun, FootLandmarkTable
from raysplay.infer.records import FloatArray, Withheld
from raysplay.infer.review.held import UNKNOWN
from raysplay.infer.review.reading import PlacedPoints, initial_points

_KEPT_FEET = 256


class ModelOutput(ABC):
    """What a review shows of the model's output. Feet are numbered from 0, as in the run.

    Parameters
    ----------
    run : FinishedRun
    """

    holds_back: bool
    """Whether numbers are held back until a person takes them."""

    def __init__(self, run: FinishedRun) -> None:
        self.run = run

    @abstractmethod
    def points(self, foot: int) -> tuple[FootLandmarkTable, PlacedPoints]:
        """Landmarks of a foot with their spread and confidence, and the points that a reader begins with."""

    @abstractmethod
    def numbers(self, foot: int) -> FloatArray | None:
        """Value, low and high of every reported measure, shape (M, 3), ``nan`` where withheld; None if not shown."""

    @abstractmethod
    def withheld(self, foot: int) -> Mapping[str, Withheld | str]:
        """Measures that the run withheld, and why."""

    @abstractmethod
    def seen_as(self, foot: int) -> str:
        """As which side (L, R) the run saw a foot in the picture, and measured it; empty where that is not known.

        Never what a file or a letter on the film says.
        """

    def named(self, foot: int) -> str:
        """What the run calls a foot: L, R, or empty where it found none."""
        side: str = self.run.sides[foot].as_py()
        return side

    def film(self, foot: int) -> FilmFacts:
        """The film that shows a foot."""
        return self.run.film(int(self.run.film_of[foot]))

    def initial(self, foot: int, anew: bool) -> PlacedPoints:
        """Points before any hand: the model's, or none where these do not count."""
        _, initial = self.points(foot)
        if not anew:
            return initial
        nowhere = np.full_like(initial.points, np.nan)
        return PlacedPoints(nowhere, np.ones_like(initial.visible), np.zeros_like(initial.moved))


class RunOutput(ModelOutput):
    """All that the run left.

    Parameters
    ----------
    run : FinishedRun
    withhold_below : float
        Confidence below which a landmark counts as not visible.
    """

    holds_back = True

    def __init__(self, run: FinishedRun, withhold_below: float) -> None:
        super().__init__(run)
        self._withhold_below = withhold_below
        self._kept = lru_cache(maxsize=_KEPT_FEET)(self._looked_up)

    def points(self, foot: int) -> tuple[FootLandmarkTable, PlacedPoints]:
        """The model's points, pixels of the film; those that it is too unsure of, or off the film, are not visible."""
        return self._kept(foot)

    def _looked_up(self, foot: int) -> tuple[FootLandmarkTable, PlacedPoints]:
        table = self.run.landmarks(foot)
        return table, initial_points(table, self.film(foot), self._withhold_below)

    def numbers(self, foot: int) -> FloatArray:
        """Those of the run's table, shape (M, 3), in each measure's unit."""
        values: FloatArray = self.run.values[foot]
        return values

    def withheld(self, foot: int) -> Mapping[str, Withheld | str]:
        """Measures that the run withheld; ``unknown`` where an earlier version kept no reason."""
        return {name: why or UNKNOWN for name, why in self.run.withheld(foot).items()}

    def seen_as(self, foot: int) -> str:
        """What the run calls it: it named feet by what it saw."""
        return self.named(foot)


class HiddenOutput(ModelOutput):
    """Nothing: every point is still to be placed, and a reader's own points tell the sign of their angles."""

    holds_back = False

    def points(self, foot: int) -> tuple[FootLandmarkTable, PlacedPoints]:
        """Nowhere, with confidence 0 and no spread (``nan``); visible until a reader says otherwise."""
        count = len(landmark_schema())
        nowhere = np.full((count, 2), np.nan)
        table = FootLandmarkTable(nowhere, np.full((count, 2, 2), np.nan), np.zeros(count))
        return table, PlacedPoints(nowhere, np.ones(count, np.bool_), np.zeros(count, np.bool_))

    def numbers(self, foot: int) -> None:
        """None."""
        return None

    def withheld(self, foot: int) -> Mapping[str, Withheld | str]:
        """Nothing: what the run withheld is part of its output."""
        return {}

    def seen_as(self, foot: int) -> str:
        """Not told."""
        return ""

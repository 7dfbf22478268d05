"""What published groups call normal, and how far a value lies beyond it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from raysplay.measure.evidence import Cited, Evidence
from raysplay.measure.geometry import FloatArray


@dataclass(frozen=True)
class NormalRange(Cited):
    """Values of a measure that one source calls normal.

    Attributes
    ----------
    measure : str
        Name of the measure.
    low, high : float
        Ends, in the measure's unit; infinite where the source names none.
    source : str
    evidence : Evidence

    Raises
    ------
    ValueError
        If the ends do not rise.
    """

    measure: str
    low: float
    high: float
    source: str
    evidence: Evidence

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"{self.measure}: the ends of the normal range must rise")

    def excess(self, values: npt.ArrayLike) -> FloatArray:
        """How far values lie beyond the nearer end: positive above, negative below, 0 within.

        Rising in the value, so that the ends of an interval of the value give those of the excess.

        Parameters
        ----------
        values : array_like
            In the measure's unit; ``nan`` stays.

        Returns
        -------
        ndarray, of the shape of ``values``

        Examples
        --------
        >>> NormalRange("ima", 0.0, 9.0, "a table", Evidence.SEEN).excess([14.0, 7.0, -1.5]).tolist()
        [5.0, 0.0, -1.5]
        """
        given = np.asarray(values, dtype=np.float64)
        beyond: FloatArray = np.maximum(given - self.high, 0.0) + np.minimum(given - self.low, 0.0)
        return beyond

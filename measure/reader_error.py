"""Error of human readers: standard error of measurement, minimal detectable change."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from raysplay.measure.evidence import Cited, Evidence

_MEAN_ABSOLUTE = sqrt(2.0 / np.pi)
"""Mean absolute value of a standard normal variable, 0.7979."""


@dataclass(frozen=True)
class ReaderError(Cited):
    """Published error of one reading of a measure.

    Attributes
    ----------
    measure : str
        Name of the measure.
    sem : float
        Standard error of measurement of a single reading, in the measure's unit.
    basis : str
        What was published and how the figure follows from it.
    source : str
    evidence : Evidence
    """

    measure: str
    sem: float
    basis: str
    source: str
    evidence: Evidence


@dataclass(frozen=True)
class NewFilmError(Cited):
    """What another film of a foot that did not change gives, beside reading error or together with it.

    Attributes
    ----------
    measure : str
        Name of the measure.
    sd : float
        Within-subject standard deviation over new films, in the measure's unit.
    holds_reading : bool
        Whether reading error is in it: so in a study of repeated films, each read anew; not where it was computed.
    basis : str
        How the figure was found.
    source : str
    evidence : Evidence
    """

    measure: str
    sd: float
    holds_reading: bool
    basis: str
    source: str
    evidence: Evidence

    def with_reading(self, sd: float) -> float:
        """Standard deviation of one read on one film, from that of the read itself, in the measure's unit."""
        return max(sd, self.sd) if self.holds_reading else hypot(sd, self.sd)


def standard_error_of_measurement(sd: float, icc: float) -> float:
    """``SD * sqrt(1 - ICC)``, from the spread between subjects and the reliability.

    Examples
    --------
    >>> round(standard_error_of_measurement(8.7, 0.90), 3)
    2.751
    """
    return sd * sqrt(1.0 - icc)


def minimal_detectable_change(sem: float, level: float = 0.95) -> float:
    """``z * sqrt(2) * SEM``: the difference of two readings that error alone exceeds once in 20 times.

    Equal to the half width of the limits of agreement between two single readings.

    Examples
    --------
    >>> round(minimal_detectable_change(2.751), 2)
    7.63
    """
    return NormalDist().inv_cdf(0.5 + level / 2.0) * sqrt(2.0) * sem


def technical_error(differences: npt.ArrayLike) -> float:
    """``sqrt(sum(d^2) / 2 n)``: error of one reading, from differences of paired readings.

    Examples
    --------
    >>> technical_error([3.0, -1.0, 1.0, 3.0])
    1.5811388300841898
    """
    d = np.asarray(differences, dtype=np.float64)
    return float(np.sqrt(np.sum(d**2) / (2.0 * d.size)))


def sem_from_mean_absolute_difference(difference: float) -> float:
    """Error of one reading from the mean absolute difference of two, by the normal model.

    Examples
    --------
    >>> round(sem_from_mean_absolute_difference(2.0), 2)
    1.77
    """
    return difference / _MEAN_ABSOLUTE / sqrt(2.0)


def sem_from_interval(half_width: float, level: float = 0.95) -> float:
    """Error of one reading from the half width of the interval about it.

    Examples
    --------
    >>> round(sem_from_interval(3.6), 2)
    1.84
    """
    return half_width / NormalDist().inv_cdf(0.5 + level / 2.0)

"""How steep the beam met an accepted foot: an interval, or nothing where it cannot be told."""

from __future__ import annotations

from functools import lru_cache

from raysplay.configs.load import landmark_schema
from raysplay.infer.beam.angle_model import NETWORK, AngleEstimate, AngleModel
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import BeamAngle, Decision, FloatArray, Outcome
from raysplay.infer.settings import BeamAngleSettings, reading_settings
from raysplay.infer.shipped_weights import of_network


@lru_cache(maxsize=1)
def angle_model() -> AngleModel:
    """The model that ships.

    Raises
    ------
    WeightsError
        If its weights are missing or damaged.
    """
    return AngleModel.read(of_network(NETWORK), landmark_schema())


def beam_angle(
    points: FloatArray,
    covariance: FloatArray,
    model: AngleModel | None = None,
    settings: BeamAngleSettings | None = None,
) -> BeamAngle | None:
    """The angle at which the beam met a foot, with its interval.

    Parameters
    ----------
    points : ndarray, shape (L, 2)
        Usable landmarks in the frame of a right foot (x lateral, y distal), in any unit; ``nan`` where not usable.
    covariance : ndarray, shape (L, 2, 2)
        In that unit squared.
    model, settings : optional
        Those that ship.

    Returns
    -------
    BeamAngle or None
        None where it cannot be told: the foot is unlike generated ones, or its interval too wide.
    """
    return told((model or angle_model()).estimate(points, covariance), settings)


def told(estimate: AngleEstimate | None, settings: BeamAngleSettings | None = None) -> BeamAngle | None:
    """What is told of an estimate: an interval, or None where it is strange or too wide."""
    settings = settings or reading_settings().beam_angle
    if estimate is None or not estimate.strangeness < settings.strange_from:
        return None
    half = settings.inflation * estimate.sd
    if not 2 * half <= settings.widest:
        return None
    return BeamAngle(estimate.value, estimate.value - half, estimate.value + half)


def unusual(beam: BeamAngle, settings: BeamAngleSettings | None = None) -> bool:
    """Whether the interval lies wholly beyond what standing feet are taken with."""
    low, high = (settings or reading_settings().beam_angle).usual
    return beam.low > high or beam.high < low


def with_remark(decision: Decision, beam: BeamAngle | None, settings: BeamAngleSettings | None = None) -> Decision:
    """The decision of an accepted foot, with a remark where the beam was surely not a usual one. Its outcome stays.

    Parameters
    ----------
    decision : Decision
    beam : BeamAngle or None
    settings : BeamAngleSettings, optional
        The shipped ones by default.
    """
    settings = settings or reading_settings().beam_angle
    if decision.outcome is not Outcome.ACCEPTED or beam is None or not unusual(beam, settings):
        return decision
    low, high = settings.usual
    numbers = {"value": beam.value, "low": beam.low, "high": beam.high}
    said = (
        f"beam, an unproven estimate: it met the foot at about {beam.value:.0f} degrees "
        f"({beam.low:.0f} to {beam.high:.0f}), usual {low:g} to {high:g}"
    )
    return Decision(decision.outcome, (*decision.reasons, Reason(ReasonKind.BEAM_UNUSUAL, said, numbers)))

"""Is it a film of the ankle, on which the foot lies with its toes pointed away?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.beam.beam_angle import unusual
from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.leg import leg_length
from raysplay.infer.decide.settings import DecisionLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome
from raysplay.infer.settings import reading_settings


def ankle_view(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person a foot that looks tipped in the beam and whose leg lies in the picture.

    Either alone is no fault: a beam may stand steep, and legs lie in the picture on many films of feet. The angle of
    the beam is an unproven estimate, so that this never refuses and no number changes by it.
    """
    beam, bounds = case.beam, limits.ankle_view
    if beam is None or beam.value < bounds.steep_from or not unusual(beam):
        return
    leg = leg_length(case, limits.landmarks.doubtful_below)
    if leg is None or leg < bounds.leg_from:
        return
    low, high = reading_settings().beam_angle.usual
    said = (
        f"perhaps a film of the ankle: the foot looks tipped, as under a beam of about {beam.value:.0f} degrees "
        f"({beam.low:.0f} to {beam.high:.0f} by an unproven estimate, usual {low:g} to {high:g}), and its leg lies in "
        f"the picture for {leg:.1f} lengths of the second metatarsal, as on films where a foot is foreshortened and "
        "does not stand"
    )
    numbers = {"value": beam.value, "low": beam.low, "high": beam.high, "leg": leg}
    yield Finding(Outcome.REVIEW, Reason(ReasonKind.ANKLE_VIEW, said, numbers))

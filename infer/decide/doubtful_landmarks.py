"""Points the network is not sure of, by name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from raysplay.configs.load import landmark_descriptions
from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.config import LandmarkLimits
from raysplay.infer.decide.needed import needed_landmarks, usable_landmarks
from raysplay.infer.records import Outcome
from raysplay.measure import Measure
from raysplay.measure.definition import MILLIMETRE


def doubtful(case: FootCase, limits: LandmarkLimits, measures: Sequence[Measure]) -> list[int]:
    """Indices of the landmarks that ``measures`` need below the confidence limit, least certain first."""
    confidence = np.asarray(case.landmarks.confidence)
    needed = needed_landmarks(case.schema, measures)
    weak = [i for i in needed if not confidence[i] >= limits.doubtful_below]
    return sorted(weak, key=lambda i: (float(confidence[i]), i))


def doubtful_landmarks(case: FootCase, limits: LandmarkLimits, measures: Sequence[Measure]) -> Iterator[Finding]:
    """Send to a person, naming the points; a long list is cut and counted."""
    weak = doubtful(case, limits, measures)
    for i in weak[: limits.name_at_most]:
        yield Finding(
            Outcome.REVIEW,
            f"doubtful landmark: {landmark_descriptions()[i]} ({case.landmarks.confidence[i]:.2f})",
        )
    rest = len(weak) - limits.name_at_most
    if rest > 0:
        yield Finding(Outcome.REVIEW, f"doubtful landmarks: {rest} more")


def withheld(case: FootCase, limits: LandmarkLimits, measures: Sequence[Measure]) -> Iterator[Finding]:
    """Send to a person a foot of which some of ``measures`` had to be withheld.

    A length that is missing only because the film's spacing gives no millimetres is no reason.
    """
    values = {one.measure: one.value for one in case.measurements}
    usable = usable_landmarks(case.film, case.landmarks, limits)
    missing = [
        measure.abbreviation
        for measure in measures
        if not np.isfinite(values[measure.name])
        and not (measure.unit == MILLIMETRE and usable[needed_landmarks(case.schema, [measure])].all())
    ]
    if missing:
        yield Finding(Outcome.REVIEW, f"withheld: {', '.join(missing)}, for want of usable points")

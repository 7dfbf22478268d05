"""Points the network is not sure of, by name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from raysplay.configs.load import landmark_descriptions
from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.needed import deciding, needed_landmarks
from raysplay.infer.decide.settings import DecisionLimits, LandmarkLimits
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome
from raysplay.measure import Measure


def doubtful(case: FootCase, limits: LandmarkLimits, measures: Sequence[Measure]) -> list[int]:
    """Landmarks that ``measures`` need and the network doubts.

    Returns
    -------
    list of int
        Places in the schema, least certain first; a confidence of ``nan`` counts as doubt.
    """
    confidence = np.asarray(case.landmarks.confidence)
    needed = needed_landmarks(case.schema, measures)
    weak = [i for i in needed if not confidence[i] >= limits.doubtful_below]
    return sorted(weak, key=lambda i: (float(confidence[i]), i))


def doubtful_landmarks(case: FootCase, limits: DecisionLimits) -> Iterator[Finding]:
    """Send to a person, naming the points; a long list is cut and counted."""
    weak = doubtful(case, limits.landmarks, deciding(case.measurements, limits.interval))
    at_most = limits.landmarks.name_at_most
    for i in weak[:at_most]:
        said = f"doubtful landmark: {landmark_descriptions()[i]} ({case.landmarks.confidence[i]:.2f})"
        numbers = {"confidence": float(case.landmarks.confidence[i])}
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.DOUBTFUL_LANDMARK, said, numbers))
    rest = len(weak) - at_most
    if rest > 0:
        said = f"doubtful landmarks: {rest} more"
        yield Finding(Outcome.REVIEW, Reason(ReasonKind.DOUBTFUL_LANDMARK, said, {"more": rest}))

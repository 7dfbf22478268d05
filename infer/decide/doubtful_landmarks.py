"""Points the network is not sure of, by name."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from raysplay.configs.load import landmark_descriptions
from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.config import LandmarkLimits
from raysplay.infer.decide.needed import needed_landmarks
from raysplay.infer.records import Outcome
from raysplay.measure import Measure


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

"""Points the network is not sure of, by name."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

import numpy as np

from raysplay.configs.load import landmark_descriptions
from raysplay.infer.decide.case import Finding, FootCase
from raysplay.infer.decide.config import LandmarkLimits
from raysplay.infer.decide.needed import needed_landmarks
from raysplay.infer.records import Outcome


def doubtful(case: FootCase, limits: LandmarkLimits, measures: Collection[str]) -> list[int]:
    """Indices of the landmarks that ``measures`` need below the confidence limit, least certain first."""
    confidence = np.asarray(case.landmarks.confidence)
    needed = needed_landmarks(case.schema, measures)
    weak = [i for i in needed if not confidence[i] >= limits.doubtful_below]
    return sorted(weak, key=lambda i: (float(confidence[i]), i))


def doubtful_landmarks(case: FootCase, limits: LandmarkLimits, measures: Collection[str]) -> Iterator[Finding]:
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


def withheld(measures: Sequence[str]) -> Iterator[Finding]:
    """Send to a person a foot of which measures had to be withheld."""
    if measures:
        yield Finding(Outcome.REVIEW, f"withheld: {', '.join(measures)}, for want of usable points")

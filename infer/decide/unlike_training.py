"""Is the picture unlike anything the landmark network was trained on?"""

from __future__ import annotations

from collections.abc import Iterator

from raysplay.infer.decide.case import Finding
from raysplay.infer.decide.config import UnlikeTrainingLimits
from raysplay.infer.records import FootLandmarks, Outcome


def unlike_training(landmarks: FootLandmarks, limits: UnlikeTrainingLimits) -> Iterator[Finding]:
    """Send to a person a picture far from the training films, however sure the network seems."""
    if landmarks.strangeness >= limits.doubtful_from:
        yield Finding(
            Outcome.REVIEW,
            f"unlike training films: strangeness {landmarks.strangeness:.1f}, usual 1, limit {limits.doubtful_from:g}",
        )

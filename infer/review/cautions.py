"""What stands on every page and every printed sheet of the review, each with its kind."""

from __future__ import annotations

from raysplay.infer.command import CAUTION
from raysplay.infer.review.answers import Caution

CAUTIONS: list[Caution] = [
    {"kind": "device", "text": "Not a medical device."},
    {"kind": "use", "text": CAUTION},
]
"""``device``: what the program is not; ``use``: what a person has to do. Pages go by the kind, never by the words."""

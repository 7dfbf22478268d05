"""The small network that tells an upright L or R from everything else."""

from __future__ import annotations

from typing import ClassVar

from raysplay.infer.films.patch_network import PatchNetwork, Shapes, shapes

LETTERS = ("L", "R")
"""In the order of the network's output; what follows them is everything else."""

NETWORK = "side_letters"
"""The name in its weights file."""


class LetterNetwork(PatchNetwork):
    """Probability of each of :data:`LETTERS`, upright, and of everything else."""

    network: ClassVar[str] = NETWORK
    shapes: ClassVar[Shapes] = shapes(8, 16, 32, 48, len(LETTERS) + 1)

"""The small network that tells characters of writing, and these from everything else."""

from __future__ import annotations

from typing import ClassVar

from raysplay.infer.films.patch_network import PatchNetwork, Shapes, shapes

CHARACTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ23456789.-:/()+%?"
"""In the order of the network's output; what follows them is everything else. Small letters are their capitals; I is
also a one and a bar, O also a nought."""

NETWORK = "characters"
"""The name in its weights file."""


class CharacterNetwork(PatchNetwork):
    """Probability of each of :data:`CHARACTERS`, upright, and of everything else."""

    network: ClassVar[str] = NETWORK
    shapes: ClassVar[Shapes] = shapes(12, 24, 48, 96, len(CHARACTERS) + 1)

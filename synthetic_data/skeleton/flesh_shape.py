"""How soft parts lie about the bones of a skeleton."""

from __future__ import annotations

from enum import Enum


class FleshShape(Enum):
    """Shapes of soft parts that a trial may ask for."""

    FOOT = "foot"
    """Body and toes, as the generator draws them."""
    ROUND = "round"
    """One round body about all bones, without gaps between the toes."""
    LAYER = "layer"
    """As a layer of even thickness that ends at a distance from the bones' shadow."""

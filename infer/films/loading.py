"""How a foot was loaded when its film was taken, by what the file states and by words on the film."""

from __future__ import annotations

from collections.abc import Iterable
from enum import Enum


class Loading(Enum):
    """What is said of the load on the foot; the values are the names in ``configs/decision.yaml``."""

    FULL = "full"
    """Weight-bearing or standing."""
    PARTIAL = "partial"
    """Part of the weight, or only as much as was tolerated."""
    SIMULATED = "simulated"
    """Load put on by other means than standing."""
    NONE = "none"
    """Not weight-bearing, lying or sitting."""
    UNKNOWN = "unknown"
    CONTRADICTORY = "contradictory"
    """Statements that cannot all be true, or one whose sense cannot be told."""


def told(loading: str) -> str | None:
    """The value of a :class:`Loading` that says how a foot was loaded; None for one that says nothing, or for ""."""
    return None if loading in ("", Loading.UNKNOWN.value, Loading.CONTRADICTORY.value) else loading


class Stated(Enum):
    """One statement on loading. Postures stand apart: they say less of the load than words about the load."""

    STANDING = "standing"
    LOADED = "loaded"
    PARTLY = "partly loaded"
    SIMULATED = "load simulated"
    UNLOADED = "not loaded"
    AT_REST = "lying or sitting"
    UNCLEAR = "sense cannot be told"


# Which statements may stand together, and what they say then; all others contradict each other.
_TOGETHER = (
    (Loading.FULL, {Stated.STANDING, Stated.LOADED}),
    (Loading.NONE, {Stated.UNLOADED, Stated.AT_REST}),
    (Loading.PARTIAL, {Stated.PARTLY, Stated.STANDING}),
    (Loading.PARTIAL, {Stated.PARTLY, Stated.AT_REST}),
    (Loading.SIMULATED, {Stated.SIMULATED, Stated.PARTLY, Stated.UNLOADED, Stated.AT_REST}),
)


def settle(statements: Iterable[Stated]) -> Loading:
    """The loading that all statements together say."""
    found = set(statements)
    if not found:
        return Loading.UNKNOWN
    return next((loading for loading, fitting in _TOGETHER if found <= fitting), Loading.CONTRADICTORY)

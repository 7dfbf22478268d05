"""A foot as it is known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class TrueFoot:
    """One foot as it is known.

    Attributes
    ----------
    film : str
        Path relative to the folder of films, with forward slashes.
    side : str
        ``L``, ``R``, or empty for a film without a foot.
    view : str
        One of ``VIEWS``; ``dp`` where the file does not say.
    angles : mapping of str to float
        By name of the measure; what the row leaves empty is missing.
    centre, size : (float, float) or None
        Centre (x, y) and width and height of the foot in pixels of the film.
    landmarks : mapping of str to (float, float)
        By code, pixels of the film.
    seed : str
        What the film was generated from; empty for a film of a person.
    condition : str
        What makes the foot unfit for measuring; empty where nothing is known to.
    constructions : mapping of str to str
        How ``angles`` were built, by name of the measure, where the table says so.
    foot_index : int or None
        Place among the feet of its film, where the table says so.
    lines : tuple of int
        Where the foot stands in its table.
    """

    film: str
    side: str
    view: str = "dp"
    angles: Mapping[str, float] = field(default_factory=dict)
    centre: tuple[float, float] | None = None
    size: tuple[float, float] | None = None
    landmarks: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    seed: str = ""
    condition: str = ""
    constructions: Mapping[str, str] = field(default_factory=dict)
    foot_index: int | None = None
    lines: tuple[int, ...] = ()

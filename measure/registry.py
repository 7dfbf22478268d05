"""The only list of measures; a new one is a file of its own and a line here."""

from __future__ import annotations

from raysplay.measure.definition import Measure
from raysplay.measure.hallux_interphalangeal_angle import HALLUX_INTERPHALANGEAL_ANGLE
from raysplay.measure.hallux_valgus_angle import HALLUX_VALGUS_ANGLE
from raysplay.measure.intermetatarsal_angle import INTERMETATARSAL_ANGLE
from raysplay.measure.intermetatarsal_angle_4_5 import INTERMETATARSAL_ANGLE_4_5

MEASURES: tuple[Measure, ...] = (
    HALLUX_VALGUS_ANGLE,
    INTERMETATARSAL_ANGLE,
    HALLUX_INTERPHALANGEAL_ANGLE,
    INTERMETATARSAL_ANGLE_4_5,
)
"""Every measure, in the order of the tables."""


def by_name(name: str) -> Measure:
    """The measure called ``name``.

    Raises
    ------
    KeyError
        If there is none; the message lists those there are.

    Examples
    --------
    >>> by_name("hva").title
    'Hallux valgus angle'
    """
    for measure in MEASURES:
        if measure.name == name:
            return measure
    raise KeyError(f"no measure {name!r}; there are {', '.join(m.name for m in MEASURES)}")

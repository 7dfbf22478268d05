"""The only list of measures; a new one is a function that builds it and a line here."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, partial

from raysplay.measure.articular_angles import (
    congruency_index,
    distal_metatarsal_articular_angle,
    first_joint_angle,
    proximal_phalangeal_articular_angle,
)
from raysplay.measure.definition import Measure, over_second_metatarsal
from raysplay.measure.first_metatarsal_head import head_distance, head_roundness, medial_eminence_width
from raysplay.measure.first_tarsometatarsal_joint import (
    first_metatarsal_base_obliquity,
    first_second_base_distance,
    first_tarsometatarsal_angle,
    intercuneiform_gap,
    medial_cuneiform_obliquity,
)
from raysplay.measure.forefoot_width import forefoot_width, forefoot_width_direct
from raysplay.measure.hallux_interphalangeal_angle import hallux_interphalangeal_angle
from raysplay.measure.hallux_valgus_angle import hallux_valgus_angle
from raysplay.measure.intermetatarsal_angle import (
    intermetatarsal_angle,
    intermetatarsal_angle_1_5,
    intermetatarsal_angle_4_5,
)
from raysplay.measure.joint_space import first_joint_space
from raysplay.measure.metatarsal_lengths import (
    first_over_second_length,
    fourth_head_from_sesamoid_line,
    phalanx_over_first_length,
    protrusion_by_arc,
    protrusion_by_line,
    shortfall,
)
from raysplay.measure.metatarsophalangeal_angles import metatarsophalangeal_angle
from raysplay.measure.metatarsus_adductus import (
    adjusted_intermetatarsal_angle_measure,
    metatarsus_adductus_angle,
    middle_cuneiform_adductus_angle,
)
from raysplay.measure.sesamoid_position import (
    lateral_sesamoid_displacement,
    tibial_sesamoid_offset,
    tibial_sesamoid_share,
)
from raysplay.measure.talus import talo_first_metatarsal_angle, talonavicular_coverage

_Builder = Callable[..., Measure]


def _with_ratio(builder: _Builder) -> tuple[_Builder, _Builder]:
    """A length in mm, and the same over the second metatarsal's length."""

    def ratio(*construction: str) -> Measure:
        return over_second_metatarsal(builder(*construction))

    return builder, ratio


_BUILDERS: tuple[_Builder, ...] = (
    hallux_valgus_angle,
    intermetatarsal_angle,
    hallux_interphalangeal_angle,
    intermetatarsal_angle_4_5,
    distal_metatarsal_articular_angle,
    first_joint_angle,
    proximal_phalangeal_articular_angle,
    congruency_index,
    intermetatarsal_angle_1_5,
    *(partial(metatarsophalangeal_angle, ray) for ray in (2, 3, 4, 5)),
    partial(metatarsus_adductus_angle, "mc5"),
    partial(metatarsus_adductus_angle, "mc4"),
    middle_cuneiform_adductus_angle,
    partial(adjusted_intermetatarsal_angle_measure, "mc5"),
    partial(adjusted_intermetatarsal_angle_measure, "mc4"),
    first_tarsometatarsal_angle,
    medial_cuneiform_obliquity,
    first_metatarsal_base_obliquity,
    talonavicular_coverage,
    talo_first_metatarsal_angle,
    tibial_sesamoid_share,
    tibial_sesamoid_offset,
    lateral_sesamoid_displacement,
    *_with_ratio(medial_eminence_width),
    *_with_ratio(head_distance),
    *_with_ratio(first_second_base_distance),
    *_with_ratio(intercuneiform_gap),
    *_with_ratio(first_joint_space),
    *_with_ratio(forefoot_width),
    *_with_ratio(forefoot_width_direct),
    *_with_ratio(partial(protrusion_by_arc, 1)),
    *_with_ratio(protrusion_by_line),
    *(one for ray in (3, 4, 5) for one in _with_ratio(partial(protrusion_by_arc, ray))),
    *(one for ray in (2, 3, 4) for one in _with_ratio(partial(shortfall, ray))),
    *_with_ratio(fourth_head_from_sesamoid_line),
    first_over_second_length,
    phalanx_over_first_length,
    head_roundness,
)

MEASURES: tuple[Measure, ...] = tuple(builder() for builder in _BUILDERS)
"""Every measure by its default construction, in the order of the tables."""

_POSITION = {measure.name: i for i, measure in enumerate(MEASURES)}


@cache
def by_name(name: str, construction: str | None = None) -> Measure:
    """The measure called ``name``, by its default construction or the one asked for.

    Raises
    ------
    KeyError
        If there is none of that name; the message lists those there are.
    ValueError
        If it cannot be built under that construction.

    Examples
    --------
    >>> by_name("hva").title
    'Hallux valgus angle'
    >>> by_name("ima", "head_base").landmarks[:2]
    ('M1_base_c', 'M1_head_c')
    """
    if name not in _POSITION:
        raise KeyError(f"no measure {name!r}; there are {', '.join(_POSITION)}")
    measure = MEASURES[_POSITION[name]]
    if construction is None or construction == measure.construction:
        return measure
    if construction not in measure.constructions:
        raise ValueError(f"{name} cannot be built by {construction!r}; there are {', '.join(measure.constructions)}")
    return _BUILDERS[_POSITION[name]](construction)


def under(name: str, construction: str) -> Measure:
    """The measure by ``construction`` where it has it, else by its default, which the number then carries.

    Examples
    --------
    >>> under("ima", "head_base").construction, under("hia", "head_base").construction
    ('head_base', 'shaft')
    """
    measure = by_name(name)
    return by_name(name, construction) if construction in measure.constructions else measure

"""One foot with its beam, drawn from a seed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from raysplay.synthetic_data.anatomy.ageing import age_joints
from raysplay.synthetic_data.anatomy.growth import grow
from raysplay.synthetic_data.anatomy.missing_toes import lose_toes
from raysplay.synthetic_data.anatomy.person import draw_person
from raysplay.synthetic_data.anatomy.pose import pose
from raysplay.synthetic_data.anatomy.posture import Posture, cross_toes, draw_posture
from raysplay.synthetic_data.anatomy.remodelling import remodel
from raysplay.synthetic_data.anatomy.soft_tissue import soft_tissue
from raysplay.synthetic_data.projection.beam import draw_beam
from raysplay.synthetic_data.projection.crossed_toes import HEAVY, crossed_share
from raysplay.synthetic_data.projection.shadow import Subject
from raysplay.synthetic_data.settings import GeneratorSettings, generator_settings

ANATOMIC_CONDITIONS = ("growth_plates", "missing_toe", "overlap")
"""Conditions of a foot that make it unfit for measuring and that :func:`draw_subject` can draw."""

_TRIES = 12
"""Crossings tried until toes overlap heavily; the last is kept and named for what it is."""


def draw_subject(
    seed: int | Sequence[int],
    view: str = "dp",
    settings: GeneratorSettings | None = None,
    condition: str | None = None,
) -> tuple[Subject, Posture]:
    """Draw a foot laid for ``view``. The same seed gives the same foot.

    Parameters
    ----------
    seed : int or sequence of int
    view : {'dp', 'oblique', 'lateral'}
    settings : GeneratorSettings, optional
        The shipped ones by default.
    condition : one of :data:`ANATOMIC_CONDITIONS`, optional
        Ask for it; by default the shares of ``settings.conditions`` decide.

    Returns
    -------
    Subject, Posture
        What is exposed, with the conditions it has, and the angles it was posed with.

    Raises
    ------
    ValueError
        If the condition is unknown.
    """
    settings = settings or generator_settings()
    rng = np.random.default_rng(seed)
    drawn = rng.random()  # also where it is not needed: a foot keeps its bones when a condition is asked for
    if condition is None:
        shares = settings.conditions.model_dump()
        for name in ANATOMIC_CONDITIONS:
            drawn -= shares[name]
            if drawn < 0:
                condition = name
                break
    elif condition not in ANATOMIC_CONDITIONS:
        raise ValueError(f"unknown condition {condition!r}: one of {', '.join(ANATOMIC_CONDITIONS)}")

    person = draw_person(rng, settings.person)
    child = condition == "growth_plates"
    person = grow(rng, person) if child else age_joints(rng, person, settings.person)
    posture = draw_posture(rng, settings.posture, view, settings.posture.child_shares if child else None)
    person = remodel(person, posture)
    beam = draw_beam(rng, settings.exposure)
    foot = pose(person, posture)
    overlap = crossed_share(person, foot, beam)
    if condition == "overlap":
        straight = posture
        for _ in range(_TRIES):
            if overlap > HEAVY:
                break
            posture = cross_toes(rng, straight)
            foot = pose(person, posture)
            overlap = crossed_share(person, foot, beam)
    if condition == "missing_toe":
        person, foot = lose_toes(rng, person, foot)
        overlap = crossed_share(person, foot, beam)
    has = {condition} if condition in ("growth_plates", "missing_toe") else set()
    if view == "dp" and overlap > HEAVY:
        has.add("overlap")
    skin = soft_tissue(rng, person, foot)
    return Subject(person, foot, skin, beam, person.density, conditions=frozenset(has)), posture

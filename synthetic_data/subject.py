"""One foot with its beam, drawn from a seed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from raysplay.synthetic_data.anatomy.person import draw_person
from raysplay.synthetic_data.anatomy.pose import pose
from raysplay.synthetic_data.anatomy.posture import Posture, draw_posture
from raysplay.synthetic_data.anatomy.rest import bone_names
from raysplay.synthetic_data.anatomy.soft_tissue import soft_tissue
from raysplay.synthetic_data.projection.beam import draw_beam
from raysplay.synthetic_data.projection.shadow import Subject
from raysplay.synthetic_data.settings import GeneratorSettings, generator_settings


def draw_subject(
    seed: int | Sequence[int], view: str = "dp", settings: GeneratorSettings | None = None
) -> tuple[Subject, Posture]:
    """Draw a foot laid for ``view``. The same seed gives the same foot.

    Returns
    -------
    Subject, Posture
        What is exposed, and the angles it was posed with.
    """
    settings = settings or generator_settings()
    rng = np.random.default_rng(seed)
    person = draw_person(rng, settings.person)
    posture = draw_posture(rng, settings.posture, view)
    foot = pose(person, posture)
    skin = soft_tissue(rng, person, foot)
    beam = draw_beam(rng, settings.exposure)
    density = np.exp(rng.normal(0, 0.12, len(bone_names()))) * np.exp(rng.normal(0, 0.15))
    return Subject(person, foot, skin, beam, density), posture

"""The same foot without load, for pairs of one foot that stands and does not."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from raysplay.configs.load import Config, load, shipped
from raysplay.synthetic_data.anatomy.posture import Posture

Pair = tuple[float, float]


class UnloadingSettings(Config):
    """What is added to a standing foot's angles (degrees) and arch (share), mean and sd; ``configs/unloading.yaml``."""

    hva: Pair
    ima: Pair
    arch: Pair


@lru_cache(maxsize=1)
def unloading_settings() -> UnloadingSettings:
    """The shipped settings."""
    return load(UnloadingSettings, shipped("unloading.yaml"))


def unloaded(rng: np.random.Generator, posture: Posture, settings: UnloadingSettings | None = None) -> Posture:
    """How a foot that stood so lies without load: toes and soft tissue stay, of which no figure was found.

    Parameters
    ----------
    rng : numpy.random.Generator
    posture : Posture
        Of the standing foot.
    settings : UnloadingSettings, optional
        The shipped ones by default.
    """
    settings = settings or unloading_settings()
    return replace(
        posture,
        hva=float(posture.hva + rng.normal(*settings.hva)),
        ima=float(posture.ima + rng.normal(*settings.ima)),
        arch=float(posture.arch + max(0.0, rng.normal(*settings.arch))),
    )

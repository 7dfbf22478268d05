"""People whose bones are shaped by something the generator of the training films does not have."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import torch

from raysplay.synthetic_data.anatomy.loft import BoneShapes, loft
from raysplay.synthetic_data.anatomy.posture import Posture
from raysplay.synthetic_data.projection.shadow import Subject
from raysplay.synthetic_data.subject import draw_subject

FloatArray = npt.NDArray[np.float64]

_WAVES = 128
"""Waves of a field; their sum is near normal, and its spectrum near that of the kernel."""

_FIELD = 611953
"""Keeps the random numbers of the field apart from those of the foot."""


def smooth_field(rng: np.random.Generator, points: FloatArray, length: float, sd: float) -> FloatArray:
    """Displacements by a smooth random field in space, one vector a point.

    Each component is drawn near a Gaussian process of mean 0 and covariance ``sd**2 exp(-r**2 / (2 length**2))``, by
    random Fourier features (Rahimi and Recht 2007, "Random features for large-scale kernel machines").

    Parameters
    ----------
    rng : numpy.random.Generator
    points : ndarray, shape (..., 3)
        mm.
    length, sd : float
        Length scale and standard deviation, mm.

    Returns
    -------
    ndarray, shape (..., 3)
        mm.
    """
    waves = rng.normal(0.0, 1.0 / length, (3, _WAVES))
    cosines, sines = rng.normal(0.0, sd / np.sqrt(_WAVES), (2, _WAVES, 3))
    phase = points @ waves
    moved: FloatArray = np.cos(phase) @ cosines + np.sin(phase) @ sines
    return moved


def draw_stranger(seed: Sequence[int], view: str, *, length: float, sd: float) -> tuple[Subject, Posture]:
    """A drawn foot with bones bent by a smooth random field, neighbours together, so that joints stay joints.

    Landmarks and true angles follow from the bent surfaces, as they do for every foot. Skin is not bent.

    Parameters
    ----------
    seed, view
        As for ``draw_subject``.
    length, sd : float
        Of the field, mm (see :func:`smooth_field`).
    """
    subject, posture = draw_subject(seed, view)
    shapes = BoneShapes(**{name: torch.as_tensor(value)[None] for name, value in subject.person.shapes.items()})
    local = torch.stack([loft(shapes)[0], loft(shapes, inside=True)[0]]).double().numpy()
    origin, frame = subject.foot.origin[:, None, None], subject.foot.frame
    placed = origin + np.einsum("nij,lnrsj->lnrsi", frame, local)
    bent = placed + smooth_field(np.random.default_rng([*seed, _FIELD]), placed, length, sd)
    return replace(subject, surfaces=np.einsum("nji,lnrsj->lnrsi", frame, bent - origin)), posture

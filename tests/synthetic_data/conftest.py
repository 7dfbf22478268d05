"""Bones of known shape laid where a test wants them, and settings for small films."""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pytest
import torch

from raysplay.synthetic_data.anatomy.rest import bone_index, bone_names
from raysplay.synthetic_data.film.settings import ArchiveSettings, plain_settings
from raysplay.synthetic_data.projection.beam import Beam
from raysplay.synthetic_data.projection.shadow import Shadow, Subject, project_subjects
from raysplay.synthetic_data.subject import draw_subject

ROUND_END, BLUNT_END = 2.0, 8.0


def tube(shapes: dict[str, np.ndarray], n: int, length: float, width: float, end: float, cap: float) -> None:
    """Turn bone ``n`` into a straight body of round section; ``cap`` is the share of the length that an end closes."""
    shapes["length"][n] = length
    for key in ("width", "height"):
        shapes[key][n] = width
    for key in ("mid_width", "mid_height", "wedge", "ripple"):
        shapes[key][n] = 0.0
    shapes["squareness"][n] = 2.0
    shapes["caps"][n] = (end, cap, 0.0, 0.0, 0.0)
    shapes["bumps"][n, :, 4] = 0.0


def lay(
    bodies: Mapping[str, tuple[np.ndarray, np.ndarray]],
    beam: Beam,
    *,
    length: float = 60.0,
    width: float = 10.0,
    ball: bool = False,
    cortex: float = 2.0,
) -> Subject:
    """A subject of nothing but straight tubes (or balls): name to base and axis, in mm of the foot's frame."""
    drawn, _ = draw_subject([3, 1])
    shapes = {key: value.copy() for key, value in drawn.person.shapes.items()}
    origin, frame = drawn.foot.origin.copy(), drawn.foot.frame.copy()
    present = np.zeros(len(bone_names()), bool)
    for name, (base, axis) in bodies.items():
        n = bone_index(name)
        present[n] = True
        tube(shapes, n, width if ball else length, width, ROUND_END if ball else BLUNT_END, 0.5 if ball else 0.01)
        shapes["cortex"][n] = cortex
        axis = np.asarray(axis, float) / np.linalg.norm(axis)
        across = np.cross(axis, [0.0, 0.0, 1.0])
        across /= np.linalg.norm(across)
        origin[n] = base
        frame[n] = np.stack([across, axis, np.cross(across, axis)], axis=1)
    foot = replace(drawn.foot, origin=origin, frame=frame, present=present)
    return Subject(
        replace(drawn.person, shapes=shapes),
        foot,
        np.zeros_like(drawn.skin),
        beam,
        np.ones(len(bone_names())),
    )


def heading(bearing: float, inclination: float) -> np.ndarray:
    """Axis at ``bearing`` degrees lateral of distal whose distal end is down by ``inclination`` degrees."""
    a, d = np.radians([bearing, inclination])
    return np.array([np.sin(a) * np.cos(d), np.cos(a) * np.cos(d), -np.sin(d)])


def throw(subject: Subject, size: tuple[int, int], pixel: float, at: tuple[float, float]) -> Shadow:
    """Projected on an upright film with ``at`` (mm on the detector) in its middle."""
    matrix = torch.tensor(
        [
            [1 / pixel, 0, size[1] / 2 - at[0] / pixel],
            [0, -1 / pixel, size[0] / 2 + at[1] / pixel],
            [0, 0, 1],
        ]
    )
    return project_subjects([subject], matrix[None], size)


@pytest.fixture(scope="session")
def small() -> Callable[..., ArchiveSettings]:
    """The shipped settings with coarse pixels, which make films quickly, without conditions or wear; keywords change
    the section ``film``."""

    def build(**film: object) -> ArchiveSettings:
        plain = plain_settings()
        return plain.model_copy(update={"film": plain.film.model_copy(update={"pixel_mm": (0.6, 0.7), **film})})

    return build

"""A skeleton of capsules in the places of the digitised bones: every true number is known beforehand."""

import numpy as np
import pytest
import trimesh

from raysplay.synthetic_data.skeleton.films import read_skeleton
from raysplay.synthetic_data.skeleton.settings import skeleton_settings

RADIUS, LENGTH = 4.0, 24.0
"""Of every capsule, mm; length from pole to pole."""


def capsule(radius=RADIUS, length=LENGTH, facets=24):
    """A capsule along y about the origin."""
    made = trimesh.creation.capsule(height=length - 2 * radius, radius=radius, count=[facets, facets])
    made.apply_translation(-made.bounds.mean(axis=0))
    made.apply_transform(trimesh.transformations.rotation_matrix(-np.pi / 2, [1, 0, 0]))
    return made


def file_of(name, without=()):
    """All capsules of one file of the shipped list, in that file's own units and axes."""
    settings = skeleton_settings()
    parts = []
    for bone, where in settings.bones.items():
        if where.file == name and bone not in without:
            part = capsule(facets=12)
            part.apply_translation(np.array(where.middle) - settings.files[name].shift)
            back = np.empty_like(part.vertices)
            back[:, list(settings.axes)] = part.vertices / settings.to_mm
            parts.append(trimesh.Trimesh(back, part.faces, process=False))
    return trimesh.util.concatenate(parts)


def one_file_a_bone(folder, settings):
    """A capsule a file, in the places of the shipped list, for a list that knows bones by their files alone."""
    places = skeleton_settings().bones
    for bone, where in settings.bones.items():
        part = capsule(facets=12)
        shift = settings.files[where.file].shift if where.file in settings.files else (0.0, 0.0, 0.0)
        part.apply_translation(np.array(places[bone].middle) - shift)
        back = np.empty_like(part.vertices)
        back[:, list(settings.axes)] = part.vertices * settings.signs / settings.to_mm
        trimesh.Trimesh(back, part.faces, process=False).export(folder / where.file)


@pytest.fixture(scope="session")
def capsules(tmp_path_factory):
    """A folder of meshes as the shipped list wants it."""
    folder = tmp_path_factory.mktemp("meshes")
    for name in skeleton_settings().files:
        file_of(name).export(folder / name)
    return folder


@pytest.fixture(scope="session")
def skeleton(capsules):
    return read_skeleton(capsules, skeleton_settings())

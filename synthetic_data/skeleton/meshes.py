"""Reads the meshes of a digitised foot and tells its bones apart."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import trimesh

from raysplay.configs.errors import RaysplayError
from raysplay.synthetic_data.skeleton.settings import MeshBone, SkeletonSettings

_NEAR = 6.0
"""A part counts as the bone whose middle lies within this distance, in mm."""

_FINER = 2
"""Times each triangle is divided: few and large triangles would leave corners in an outline."""


class SkeletonError(RaysplayError):
    """A folder of meshes that cannot be used."""


def read_bones(folder: Path, settings: SkeletonSettings) -> dict[str, trimesh.Trimesh]:
    """Closed, smoothed surface of every bone by name, in mm, x lateral, y distal, z dorsal.

    Raises
    ------
    SkeletonError
        If a file is missing or is no mesh, a bone is not found in its file, or its surface cannot be closed.
    """
    parts = {name: _parts(folder / name, settings) for name in sorted({bone.file for bone in settings.bones.values()})}
    return {
        name: _smooth(_part(parts[bone.file], bone, f"{folder / bone.file}: {name}"), f"{folder / bone.file}: {name}")
        for name, bone in settings.bones.items()
    }


def _part(parts: list[trimesh.Trimesh], bone: MeshBone, name: str) -> trimesh.Trimesh:
    """The one that is the bone, among the parts of its file."""
    if bone.middle is None:
        if len(parts) != 1:
            raise SkeletonError(f"{name}: {len(parts)} parts in place of one bone")
        return parts[0]
    away = [float(np.linalg.norm(part.bounds.mean(axis=0) - bone.middle)) for part in parts]
    nearest = int(np.argmin(away))
    if away[nearest] > _NEAR:
        raise SkeletonError(f"{name}: none near {bone.middle} (nearest part {away[nearest]:.0f} mm)")
    return parts[nearest]


def _parts(path: Path, settings: SkeletonSettings) -> list[trimesh.Trimesh]:
    try:
        mesh = trimesh.load_mesh(path)
    except (OSError, ValueError) as error:
        raise SkeletonError(f"{path}: no readable mesh ({error})") from error
    place = (np.asarray(mesh.vertices) * settings.to_mm)[:, settings.axes] * settings.signs
    if path.name in settings.files:
        place = place + settings.files[path.name].shift
    return list(trimesh.Trimesh(place, mesh.faces).split(only_watertight=False))


def _smooth(mesh: trimesh.Trimesh, name: str) -> trimesh.Trimesh:
    mesh = mesh.copy()
    mesh.fill_holes()
    if not mesh.is_watertight:
        raise SkeletonError(f"{name}: surface is not closed")
    mesh.fix_normals()
    extent, middle = mesh.extents, mesh.bounds.mean(axis=0)
    finer = mesh.subdivide_loop(_FINER)
    # Smoothing draws a coarse surface in; its extents are put back.
    vertices = (finer.vertices - finer.bounds.mean(axis=0)) * (extent / finer.extents) + middle
    return trimesh.Trimesh(vertices, finer.faces, process=False)

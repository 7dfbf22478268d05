"""A mesh as rings and spokes, the form in which bones are projected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import trimesh

from raysplay.synthetic_data.anatomy.loft import CAP_RINGS, RINGS, SHAFT_RINGS, SPOKES
from raysplay.synthetic_data.anatomy.pose import LATERAL, bone_frame

FloatArray = npt.NDArray[np.float64]

_LAST = 0.1
"""Part of the length that counts as the end of a bone."""

_CENTRING = 3
"""Rounds in which the middle line is laid through the middles of its own sections."""


@dataclass(frozen=True)
class BoneSurface:
    """One bone in its own frame.

    Attributes
    ----------
    points : ndarray, shape (RINGS, SPOKES, 3)
        Width, length (0 at the base) and height of each point of the outer surface, in mm.
    core : ndarray, shape (RINGS, 3)
        The inner point that each ring was seen from.
    origin : ndarray, shape (3,)
        Base of the bone in the foot.
    frame : ndarray, shape (3, 3)
        Columns: width, length and height direction in the foot.
    """

    points: FloatArray
    core: FloatArray
    origin: FloatArray
    frame: FloatArray

    @property
    def length(self) -> float:
        """Extent along the bone in mm."""
        return float(self.points[..., 1].max())

    def inside(self, middle: float, end: float) -> FloatArray:
        """Border of the cortical shell, ``middle`` mm thick at mid-shaft and ``end`` mm toward the ends."""
        along = self.core[:, 1] / self.length
        share = np.clip(np.minimum(along, 1.0 - along) / 0.35, 0.0, 1.0)
        shell = (end + (middle - end) * share**2 * (3.0 - 2.0 * share))[:, None]
        spoke = self.points - self.core[:, None]
        reach = np.linalg.norm(spoke, axis=-1)
        kept = np.maximum(reach - shell, 0.15 * reach) / np.maximum(reach, 1e-9)
        return np.asarray(self.core[:, None] + spoke * kept[..., None])


def sample(mesh: trimesh.Trimesh, core: float, axis: npt.ArrayLike | None = None) -> BoneSurface:
    """See a closed mesh from a line inside it, along rays that fan out over its ends.

    Parameters
    ----------
    mesh : trimesh.Trimesh
        Closed, mm, x lateral, y distal, z dorsal.
    core : float
        Share of the length, from either end, at which the line ends.
    axis : array_like, shape (3,), optional
        Direction of the bone; its longest extent, pointing distally, by default.

    Returns
    -------
    BoneSurface
        In a frame of its own, mm.

    Raises
    ------
    ValueError
        If a ray from the line meets no surface: the mesh is not closed or far from straight.
    """
    way = np.asarray(mesh.principal_inertia_vectors[0] if axis is None else axis, dtype=float)
    way = way / np.linalg.norm(way)
    frame = bone_frame(way if way[1] >= 0 else -way, LATERAL)
    local = mesh.vertices @ frame
    low, high = local[:, 1].min(), local[:, 1].max()
    middle = np.array(
        [0.5 * (local[:, 0].min() + local[:, 0].max()), low, 0.5 * (local[:, 2].min() + local[:, 2].max())]
    )
    own = trimesh.Trimesh(local - middle, mesh.faces, process=False)
    length = float(high - low)

    theta = np.arange(SPOKES) * 2 * np.pi / SPOKES
    radial = np.stack([np.cos(theta), np.zeros(SPOKES), np.sin(theta)], axis=1)
    lean = np.concatenate(
        [-np.linspace(90, 0, CAP_RINGS + 1)[:-1], np.zeros(SHAFT_RINGS + 2), np.linspace(0, 90, CAP_RINGS + 1)[1:]]
    )
    c, s = np.cos(np.radians(lean)), np.sin(np.radians(lean))
    seen_from = np.zeros((RINGS, 3))
    shaft = slice(CAP_RINGS, CAP_RINGS + SHAFT_RINGS + 2)
    seen_from[:, 1] = core * length
    seen_from[shaft, 1] = np.linspace(core, 1 - core, SHAFT_RINGS + 2) * length
    seen_from[shaft.stop :, 1] = (1 - core) * length
    # A curved bone may leave the middle of its box.
    for ring in range(shaft.start, shaft.stop):
        section = trimesh.intersections.mesh_plane(own, (0.0, 1.0, 0.0), seen_from[ring])  # type: ignore[no-untyped-call]
        seen_from[ring, ::2] = 0.5 * (section.min(axis=(0, 1)) + section.max(axis=(0, 1)))[::2]
    for _ in range(_CENTRING):
        sections = _farthest(own, np.repeat(seen_from[shaft], SPOKES, axis=0), np.tile(radial, (SHAFT_RINGS + 2, 1)))
        rings = sections.reshape(-1, SPOKES, 3)
        seen_from[shaft, ::2] = 0.5 * (rings.min(axis=1) + rings.max(axis=1))[:, ::2]
        seen_from[: shaft.start, ::2], seen_from[shaft.stop :, ::2] = (
            seen_from[shaft.start, ::2],
            seen_from[shaft.stop - 1, ::2],
        )
    # Over an end the rays fan about the line to its middle, so that the pole is the middle of a slanted end, too.
    pole = np.stack([_end(own, length, False) - seen_from[0], _end(own, length, True) - seen_from[-1]])
    pole /= np.linalg.norm(pole, axis=1, keepdims=True)
    toward = np.where((lean < 0)[:, None], -pole[0], pole[1])
    rays = c[:, None, None] * radial + (s[:, None] * toward)[:, None]
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    points = _farthest(own, np.repeat(seen_from, SPOKES, axis=0), rays.reshape(-1, 3)).reshape(RINGS, SPOKES, 3)
    base = points[..., 1].min()
    points[..., 1] -= base
    seen_from[:, 1] -= base
    return BoneSurface(points, seen_from, frame @ (middle + np.array([0.0, base, 0.0])), frame)


def _end(mesh: trimesh.Trimesh, length: float, distal: bool) -> FloatArray:
    """Middle of the last tenth of a bone, at its end."""
    place = np.asarray(mesh.vertices)
    along = place[:, 1] / length
    last = place[along > 1 - _LAST if distal else along < _LAST]
    middle = 0.5 * (last.min(axis=0) + last.max(axis=0))
    return np.array([middle[0], length if distal else 0.0, middle[2]])


def _farthest(mesh: trimesh.Trimesh, origins: FloatArray, directions: FloatArray) -> FloatArray:
    """Where each ray leaves the mesh for the last time."""
    places, ray, _ = mesh.ray.intersects_location(origins, directions, multiple_hits=True)
    reach = np.full(len(origins), -np.inf)
    np.maximum.at(reach, ray, np.einsum("ij,ij->i", places - origins[ray], directions[ray]))
    if not np.isfinite(reach).all():
        raise ValueError("a ray from inside meets no surface")
    return np.asarray(origins + directions * reach[:, None])

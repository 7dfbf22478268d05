"""A batch of posed feet thrown on to films: path lengths of bone and soft tissue, and landmarks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from raysplay.synthetic_data.anatomy.loft import CAP_RINGS, BoneShapes, loft, triangles
from raysplay.synthetic_data.anatomy.person import Person
from raysplay.synthetic_data.anatomy.pose import PosedFoot
from raysplay.synthetic_data.anatomy.soft_tissue import LAYER_OF_TUBE, tube_triangles
from raysplay.synthetic_data.projection.beam import Beam, project, ray_length
from raysplay.synthetic_data.projection.landmarks import landmarks, placed
from raysplay.synthetic_data.projection.raster import path_lengths

SOFT_STEP = 4
"""Soft parts are smooth: they are projected on a grid this much coarser."""

SOFT_LAYERS = max(LAYER_OF_TUBE) + 1


@dataclass(frozen=True)
class Subject:
    """One foot ready for exposure.

    ``density`` (N,) is the relative mineral density of each bone. ``conditions`` names what about the anatomy makes
    the foot unfit for measuring, in the words of the landmark network.
    ``surfaces`` (2, N, RINGS, SPOKES, 3), where given, are the outer and inner surfaces of the bones in their own
    frames, projected in the place of those that the person's shapes make; ``nan`` for a bone that keeps these.
    """

    person: Person
    foot: PosedFoot
    skin: np.ndarray
    beam: Beam
    density: np.ndarray
    surfaces: np.ndarray | None = None
    conditions: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Shadow:
    """Path lengths in mm.

    ``outer`` and ``inner`` (B, R, C): through bone as a whole and through its inside within the cortical shell,
    both weighted by density; ``soft`` (B, K, r, c): through each soft layer on the coarse grid;
    ``points`` (B, L, 2): landmarks in film pixels; ``detector_points`` the same in mm;
    ``placed`` (B, L): whether the landmark exists, that is, whether its bone is there from end to end. The points of
    one that does not are where it would be.
    """

    outer: Tensor
    inner: Tensor
    soft: Tensor
    points: Tensor
    detector_points: Tensor
    placed: Tensor


def project_subjects(
    subjects: list[Subject],
    film_from_detector: Tensor,
    size: tuple[int, int],
    device: torch.device | str = "cpu",
) -> Shadow:
    """Project ``subjects`` on films.

    Parameters
    ----------
    subjects : list of Subject, length B
    film_from_detector : Tensor, shape (B, 3, 3)
        Similarity (or its mirror image) from mm on the detector to pixels.
    size : (rows, columns)
    """

    def stack(values: list[np.ndarray]) -> Tensor:
        return torch.as_tensor(np.stack(values), dtype=torch.float32, device=device)

    shapes = BoneShapes(**{k: stack([s.person.shapes[k] for s in subjects]) for k in subjects[0].person.shapes})
    origin, frame = stack([s.foot.origin for s in subjects]), stack([s.foot.frame for s in subjects])
    present = torch.as_tensor(np.stack([s.foot.present for s in subjects]), device=device)
    density = stack([s.density for s in subjects])
    focus, gap = (
        stack([np.array(s.beam.focus) for s in subjects]),
        stack([np.array(s.beam.gap) for s in subjects]),
    )
    matrix = film_from_detector.to(device=device, dtype=torch.float32)
    # Normals point inward: a triangle that faces the focal spot runs clockwise as seen from there, and so on the film.
    # A mirrored film shows it the other way round.
    mirrored = torch.linalg.det(matrix[:, :2, :2]) >= 0
    reach = focus[:, 2] + gap
    batch, count = present.shape
    rows, columns = size

    def to_film(place: Tensor) -> Tensor:
        extra = (1,) * (place.dim() - 2)
        linear = matrix[:, :2, :2].reshape(batch, *extra, 2, 2)
        return (linear @ place[..., None])[..., 0] + matrix[:, :2, 2].reshape(batch, *extra, 2)

    def corners_of(values: Tensor, faces: Tensor) -> Tensor:
        """Values (B, K, V, ...) at the corners of the triangles, (B, K, T, 3, ...), in the order the film shows."""
        at = values[:, :, faces]
        return torch.where(mirrored.reshape(batch, *(1,) * (at.dim() - 1)), at.flip(3), at)

    faces = triangles().to(device)
    both = torch.stack([loft(shapes), loft(shapes, inside=True)])
    for number, subject in enumerate(subjects):
        if subject.surfaces is not None:
            own = torch.as_tensor(subject.surfaces, dtype=torch.float32, device=device)
            both[:, number] = torch.where(torch.isfinite(own), own, both[:, number])
    local = both[0]
    surfaces = []
    outline = torch.zeros(0)
    for layer, points in enumerate(both):
        world = origin[:, :, None, None] + torch.einsum("bnij,bnrsj->bnrsi", frame, points)
        place, closeness = project(world, focus, gap)
        if layer == 0:
            outline = place
        surfaces.append((to_film(place).flatten(2, 3), closeness.flatten(2, 3)))

    image = torch.arange(batch, device=device)[:, None, None].expand(batch, count, len(faces))
    weight = ((reach[:, None] * density)[..., None]).expand(batch, count, len(faces))
    keep = present[..., None].expand(batch, count, len(faces)).reshape(-1)
    corners = torch.cat([corners_of(flat, faces).reshape(-1, 3, 2)[keep] for flat, _ in surfaces])
    close = torch.cat([corners_of(near, faces).reshape(-1, 3)[keep] for _, near in surfaces])
    target = torch.cat([(image + layer * batch).reshape(-1)[keep] for layer in range(len(surfaces))])
    bone = path_lengths(
        corners, close, target, weight.reshape(-1)[keep].repeat(len(surfaces)), (len(surfaces) * batch, rows, columns)
    )
    slant = ray_length(size, matrix, focus, gap) / reach[:, None, None]
    outer, inner = bone[:batch] * slant, bone[batch:] * slant

    skin = stack([s.skin for s in subjects])
    place, closeness = project(skin, focus, gap)
    tube = tube_triangles().to(device)
    flat, near = to_film(place).flatten(2, 3) / SOFT_STEP, closeness.flatten(2, 3)
    corners, close = corners_of(flat, tube), corners_of(near, tube)
    layers = torch.as_tensor(LAYER_OF_TUBE, device=device)
    target = (torch.arange(batch, device=device)[:, None] * SOFT_LAYERS + layers)[..., None].expand(close.shape[:3])
    coarse = (-(-rows // SOFT_STEP), -(-columns // SOFT_STEP))
    soft = path_lengths(
        corners.reshape(-1, 3, 2),
        close.reshape(-1, 3),
        target.reshape(-1),
        reach[:, None, None].expand(close.shape[:3]).reshape(-1),
        (batch * SOFT_LAYERS, *coarse),
    ).reshape(batch, SOFT_LAYERS, *coarse)

    centres = _head_centres(local, origin, frame, focus, gap)
    whole = torch.as_tensor(np.stack([s.foot.whole for s in subjects]), device=device) & present
    detector_points = landmarks(outline, centres, present)
    return Shadow(outer, inner, soft, to_film(detector_points), detector_points, placed(whole))


def _head_centres(local: Tensor, origin: Tensor, frame: Tensor, focus: Tensor, gap: Tensor) -> Tensor:
    """Centre of the head of each bone on the detector: one head radius short of the tip, on the mid-line."""
    rim = local[:, :, -(CAP_RINGS + 1)]
    ring = rim.mean(2)
    radius = 0.5 * (rim[..., 0].amax(2) - rim[..., 0].amin(2))
    centre = torch.stack([ring[..., 0], local[:, :, -1, 0, 1] - radius, ring[..., 2]], dim=-1)
    world = origin + torch.einsum("bnij,bnj->bni", frame, centre)
    return project(world, focus, gap)[0]

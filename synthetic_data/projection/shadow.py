"""A batch of posed feet thrown on to films: path lengths of bone and soft tissue, and landmarks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.synthetic_data.anatomy.loft import CAP_RINGS, BoneShapes, loft, triangles
from raysplay.synthetic_data.anatomy.person import Person
from raysplay.synthetic_data.anatomy.pose import PosedFoot
from raysplay.synthetic_data.anatomy.soft_tissue import LAYER_OF_TUBE, tube_triangles
from raysplay.synthetic_data.film.distance import distance_to
from raysplay.synthetic_data.film.smooth import gaussian
from raysplay.synthetic_data.projection.beam import Beam, project, ray_length
from raysplay.synthetic_data.projection.landmarks import landmarks, placed
from raysplay.synthetic_data.projection.raster import path_lengths

SOFT_STEP = 4
"""Soft parts are smooth: they are projected on a grid this much coarser."""

SOFT_LAYERS = max(LAYER_OF_TUBE) + 1

_BONE = 0.7
"""Mm of bone from which a place counts as the bones' shadow."""

_LAYER_EDGE = 0.7
"""Scale of the edge of a layer of soft parts that has no other, mm."""


@dataclass(frozen=True)
class Subject:
    """One foot ready for exposure.

    ``density`` (N,) is the relative mineral density of each bone. ``conditions`` names what about the anatomy makes
    the foot unfit for measuring, in the words of the landmark network.
    ``surfaces`` (2, N, RINGS, SPOKES, 3), where given, are the outer and inner surfaces of the bones in their own
    frames, projected in the place of those that the person's shapes make; ``nan`` for a bone that keeps these.
    ``sampled`` says that these were sampled from a mesh, so that their rings tell nothing of where joint surfaces end.
    ``skin_edge`` is the width over which the edge of the skin fades, mm (standard deviation).
    ``layer``, where given, lays soft parts that follow the bones in the place of ``skin``: how far they reach from the
    shadow of the bones, and how thick they are, mm.
    """

    person: Person
    foot: PosedFoot
    skin: np.ndarray
    beam: Beam
    density: np.ndarray
    surfaces: np.ndarray | None = None
    sampled: bool = False
    conditions: frozenset[str] = frozenset()
    skin_edge: float = 0.0
    layer: tuple[float, float] | None = None


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


@dataclass(frozen=True)
class _Throw:
    """Feet under their beams and the films that they are thrown on.

    Attributes
    ----------
    shapes : BoneShapes
    origin, frame : Tensor, shape (B, N, 3) and (B, N, 3, 3)
        Place and directions of every bone, mm.
    present : Tensor of bool, shape (B, N)
    density : Tensor, shape (B, N)
    focus, gap : Tensor, shape (B, 3) and (B,)
        Focal spot and distance of the plate below the foot, mm.
    matrix : Tensor, shape (B, 3, 3)
        Film from detector.
    size : (rows, columns)
    """

    shapes: BoneShapes
    origin: Tensor
    frame: Tensor
    present: Tensor
    density: Tensor
    focus: Tensor
    gap: Tensor
    matrix: Tensor
    size: tuple[int, int]

    @classmethod
    def of(
        cls, subjects: list[Subject], film_from_detector: Tensor, size: tuple[int, int], device: torch.device | str
    ) -> _Throw:
        return cls(
            BoneShapes(
                **{k: _stack([s.person.shapes[k] for s in subjects], device) for k in subjects[0].person.shapes}
            ),
            _stack([s.foot.origin for s in subjects], device),
            _stack([s.foot.frame for s in subjects], device),
            torch.as_tensor(np.stack([s.foot.present for s in subjects]), device=device),
            _stack([s.density for s in subjects], device),
            _stack([np.array(s.beam.focus) for s in subjects], device),
            _stack([np.array(s.beam.gap) for s in subjects], device),
            film_from_detector.to(device=device, dtype=torch.float32),
            size,
        )

    @property
    def reach(self) -> Tensor:
        """Height of the focal spot over the plate (B,), mm."""
        return self.focus[:, 2] + self.gap

    @property
    def cells(self) -> Tensor:
        """Cells of the coarse grid in a mm (B,)."""
        cells: Tensor = torch.linalg.det(self.matrix[:, :2, :2]).abs().sqrt() / SOFT_STEP
        return cells

    def to_film(self, place: Tensor) -> Tensor:
        """Points of the detector (B, ..., 2) in pixels of the film."""
        batch, extra = len(self.matrix), (1,) * (place.dim() - 2)
        linear = self.matrix[:, :2, :2].reshape(batch, *extra, 2, 2)
        return (linear @ place[..., None])[..., 0] + self.matrix[:, :2, 2].reshape(batch, *extra, 2)

    def corners_of(self, values: Tensor, faces: Tensor) -> Tensor:
        """Values (B, K, V, ...) at the corners of the triangles, (B, K, T, 3, ...), in the order the film shows.

        Normals point inward: a triangle that faces the focal spot runs clockwise as seen from there, and so on the
        film. A mirrored film shows it the other way round.
        """
        mirrored = torch.linalg.det(self.matrix[:, :2, :2]) >= 0
        at = values[:, :, faces]
        return torch.where(mirrored.reshape(len(mirrored), *(1,) * (at.dim() - 1)), at.flip(3), at)


def _stack(values: list[np.ndarray], device: torch.device | str) -> Tensor:
    return torch.as_tensor(np.stack(values), dtype=torch.float32, device=device)


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
    device : torch.device or str
        Where this is computed and the shadow lies.

    Returns
    -------
    Shadow
    """
    throw = _Throw.of(subjects, film_from_detector, size, device)
    surfaces = _surfaces(subjects, throw)
    outline, bone = _bone_lengths(surfaces, throw)
    slant = ray_length(size, throw.matrix, throw.focus, throw.gap) / throw.reach[:, None, None]
    batch = len(subjects)
    outer, inner = bone[:batch] * slant, bone[batch:] * slant
    soft = _soft_lengths(_stack([s.skin for s in subjects], device), throw)
    for number, subject in enumerate(subjects):
        if subject.layer is not None:
            soft[number] = 0.0
            soft[number, 0] = _layer(outer[number], throw.cells[number], subject.layer, soft.shape[-2:])
    if any(subject.skin_edge for subject in subjects):
        soft = _faded(soft, throw, [subject.skin_edge for subject in subjects])

    detector_points, exist = _points(subjects, throw, surfaces[0], outline)
    return Shadow(outer, inner, soft, throw.to_film(detector_points), detector_points, exist)


def project_landmarks(subjects: list[Subject]) -> tuple[Tensor, Tensor]:
    """The landmarks of :func:`project_subjects` alone, without films: some ten times as fast.

    Parameters
    ----------
    subjects : list of Subject, length B

    Returns
    -------
    points : Tensor, shape (B, L, 2)
        mm on the detector, x lateral, y distal of a right foot.
    exist : Tensor of bool, shape (B, L)
        Whether the landmark's bone is there from end to end.
    """
    throw = _Throw.of(subjects, torch.eye(3).expand(len(subjects), 3, 3), (1, 1), "cpu")
    outer = _surfaces(subjects, throw)[0]
    world = throw.origin[:, :, None, None] + torch.einsum("bnij,bnrsj->bnrsi", throw.frame, outer)
    outline, _ = project(world, throw.focus, throw.gap)
    return _points(subjects, throw, outer, outline)


def _points(subjects: list[Subject], throw: _Throw, outer: Tensor, outline: Tensor) -> tuple[Tensor, Tensor]:
    """Landmarks on the detector, and which exist, of outer surfaces (B, N, RINGS, SPOKES, 3) and their projection."""
    device = outline.device
    centres = _head_centres(outer, throw.origin, throw.frame, throw.focus, throw.gap)
    whole = torch.as_tensor(np.stack([s.foot.whole for s in subjects]), device=device) & throw.present
    sampled = torch.as_tensor([s.sampled for s in subjects], device=device)
    return landmarks(outline, centres, throw.present, sampled), placed(whole)


def _surfaces(subjects: list[Subject], throw: _Throw) -> Tensor:
    """Outer and inner surface of every bone in its own frame, (2, B, N, RINGS, SPOKES, 3), mm."""
    both = torch.stack([loft(throw.shapes), loft(throw.shapes, inside=True)])
    for number, subject in enumerate(subjects):
        if subject.surfaces is not None:
            own = torch.as_tensor(subject.surfaces, dtype=torch.float32, device=both.device)
            both[:, number] = torch.where(torch.isfinite(own), own, both[:, number])
    return both


def _bone_lengths(surfaces: Tensor, throw: _Throw) -> tuple[Tensor, Tensor]:
    """Outer surfaces on the detector (B, N, RINGS, SPOKES, 2), and path lengths along the central ray's direction
    through whole bones and through their insides, (2 B, R, C), weighted by density."""
    faces, device = triangles().to(surfaces.device), surfaces.device
    batch, count = throw.present.shape
    projected = []
    outline = torch.zeros(0)
    for layer, points in enumerate(surfaces):
        world = throw.origin[:, :, None, None] + torch.einsum("bnij,bnrsj->bnrsi", throw.frame, points)
        place, closeness = project(world, throw.focus, throw.gap)
        if layer == 0:
            outline = place
        projected.append((throw.to_film(place).flatten(2, 3), closeness.flatten(2, 3)))
    image = torch.arange(batch, device=device)[:, None, None].expand(batch, count, len(faces))
    weight = ((throw.reach[:, None] * throw.density)[..., None]).expand(batch, count, len(faces))
    keep = throw.present[..., None].expand(batch, count, len(faces)).reshape(-1)
    corners = torch.cat([throw.corners_of(flat, faces).reshape(-1, 3, 2)[keep] for flat, _ in projected])
    close = torch.cat([throw.corners_of(near, faces).reshape(-1, 3)[keep] for _, near in projected])
    target = torch.cat([(image + layer * batch).reshape(-1)[keep] for layer in range(len(projected))])
    weights = weight.reshape(-1)[keep].repeat(len(projected))
    return outline, path_lengths(corners, close, target, weights, (len(projected) * batch, *throw.size))


def _soft_lengths(skin: Tensor, throw: _Throw) -> Tensor:
    """Path lengths through each soft layer on the coarse grid, (B, K, r, c), from skin (B, TUBES, RINGS, SPOKES, 3)."""
    batch, device = len(skin), skin.device
    place, closeness = project(skin, throw.focus, throw.gap)
    tube = tube_triangles().to(device)
    flat, near = throw.to_film(place).flatten(2, 3) / SOFT_STEP, closeness.flatten(2, 3)
    corners, close = throw.corners_of(flat, tube), throw.corners_of(near, tube)
    layers = torch.as_tensor(LAYER_OF_TUBE, device=device)
    target = (torch.arange(batch, device=device)[:, None] * SOFT_LAYERS + layers)[..., None].expand(close.shape[:3])
    coarse = -(-throw.size[0] // SOFT_STEP), -(-throw.size[1] // SOFT_STEP)
    return path_lengths(
        corners.reshape(-1, 3, 2),
        close.reshape(-1, 3),
        target.reshape(-1),
        throw.reach[:, None, None].expand(close.shape[:3]).reshape(-1),
        (batch * SOFT_LAYERS, *coarse),
    ).reshape(batch, SOFT_LAYERS, *coarse)


def _layer(bone: Tensor, cells: Tensor, layer: tuple[float, float], size: tuple[int, ...]) -> Tensor:
    """Soft parts of even thickness as far from the bones' shadow (R, C) as ``layer`` says, (r, c)."""
    step = 2 * SOFT_STEP
    padded = F.pad(bone[None, None], (0, -bone.shape[1] % step, 0, -bone.shape[0] % step))
    far = distance_to(F.max_pool2d(padded, step)[:, 0] > _BONE) * 2 / cells
    fine = F.interpolate(far[:, None], scale_factor=2, mode="bilinear", align_corners=False)[0, 0, : size[0], : size[1]]
    reach, thick = layer
    return thick * torch.sigmoid((reach - fine) / _LAYER_EDGE)


def _faded(soft: Tensor, throw: _Throw, edges: list[float]) -> Tensor:
    """The soft layers with the edge of the skin spread over ``edges`` mm, one a foot."""
    sigma = (torch.tensor(edges) * throw.cells.cpu()).repeat_interleave(SOFT_LAYERS).clamp_min(0.05)
    return gaussian(soft.flatten(0, 1), sigma).reshape(soft.shape)


def _head_centres(local: Tensor, origin: Tensor, frame: Tensor, focus: Tensor, gap: Tensor) -> Tensor:
    """Centre of the head of each bone on the detector: one head radius short of the tip, on the mid-line."""
    rim = local[:, :, -(CAP_RINGS + 1)]
    ring = rim.mean(2)
    radius = 0.5 * (rim[..., 0].amax(2) - rim[..., 0].amin(2))
    centre = torch.stack([ring[..., 0], local[:, :, -1, 0, 1] - radius, ring[..., 2]], dim=-1)
    world = origin + torch.einsum("bnij,bnj->bni", frame, centre)
    return project(world, focus, gap)[0]

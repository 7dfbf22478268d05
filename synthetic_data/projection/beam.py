"""A diverging beam from a focal spot on to a flat detector."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from raysplay.synthetic_data.anatomy.pose import PosedFoot
from raysplay.synthetic_data.settings import ExposureSettings


@dataclass(frozen=True)
class Beam:
    """Focal spot and detector in the frame of the foot (mm).

    ``tilt`` leans the ray toward the heel and ``side_tilt`` toward the fifth toe, in degrees from vertical, about
    the point ``(x, y)`` of the detector that the central ray meets. ``distance`` is the height of the focal spot
    over the detector, ``gap`` the depth of the detector under the sole.
    """

    distance: float
    tilt: float
    side_tilt: float
    x: float
    y: float
    gap: float

    @property
    def focus(self) -> tuple[float, float, float]:
        """Position of the focal spot."""
        return (
            self.x - self.distance * float(np.tan(np.radians(self.side_tilt))),
            self.y + self.distance * float(np.tan(np.radians(self.tilt))),
            self.distance - self.gap,
        )


def draw_beam(rng: np.random.Generator, settings: ExposureSettings) -> Beam:
    """Draw the beam of one exposure, centred near the base of the third metatarsal."""
    short = rng.random() < settings.short_distance_share
    return Beam(
        distance=float(rng.uniform(*(settings.short_distance if short else settings.distance))),
        tilt=float(rng.uniform(*settings.tilt)),
        side_tilt=float(rng.normal(*settings.side_tilt)),
        x=float(rng.normal(18, settings.centring)),
        y=float(rng.normal(-55, settings.centring)),
        gap=float(rng.uniform(*settings.gap)),
    )


def ray_angle(beam: Beam, foot: PosedFoot) -> float:
    """How far the ray that meets a foot at the bases of its metatarsals leans toward the heel, in degrees.

    Measured from the upright of the sole: of a foot that stands flat on the detector it is the lean from vertical, of
    one whose forefoot is raised more, since this is what its shadow shows. Rays diverge, so it differs from the tilt of
    the tube by where the foot stands under it.
    """
    _, y, z = foot.turn.T @ (np.array(beam.focus) - foot.pivot)
    return float(np.degrees(np.arctan2(y, z)))


def project(points: Tensor, focus: Tensor, gap: Tensor) -> tuple[Tensor, Tensor]:
    """Central projection on to the detector.

    Parameters
    ----------
    points : Tensor, shape (B, ..., 3)
    focus : Tensor, shape (B, 3)
    gap : Tensor, shape (B,)

    Returns
    -------
    on_detector : Tensor, shape (B, ..., 2)
        x and y in mm on the detector.
    closeness : Tensor, shape (B, ...)
        Focus-to-detector over focus-to-point distance, at least 1: the local magnification. It is linear across
        the projection of a plane.
    """
    extra = (1,) * (points.dim() - 2)
    spot = focus.reshape(-1, *extra, 3)
    drop = spot[..., 2] + gap.reshape(-1, *extra)
    closeness = drop / (spot[..., 2] - points[..., 2])
    on_detector = spot[..., :2] + (points[..., :2] - spot[..., :2]) * closeness[..., None]
    return on_detector, closeness


def ray_length(shape: tuple[int, int], film_from_detector: Tensor, focus: Tensor, gap: Tensor) -> Tensor:
    """Distance from the focal spot to every pixel centre, shape (B, rows, columns), in mm.

    Parameters
    ----------
    shape : (rows, columns)
    film_from_detector : Tensor, shape (B, 3, 3)
        From mm on the detector to pixels.
    focus : Tensor, shape (B, 3)
        Focal spot in the frame of the foot, mm.
    gap : Tensor, shape (B,)
        From the sole down to the detector, mm.

    Returns
    -------
    Tensor, shape (B, rows, columns)
        mm.
    """
    rows, columns = shape
    device = film_from_detector.device
    back = torch.linalg.inv(film_from_detector.double()).float()
    y, x = torch.meshgrid(
        torch.arange(rows, device=device, dtype=torch.float32),
        torch.arange(columns, device=device, dtype=torch.float32),
        indexing="ij",
    )
    pixel = torch.stack([x, y, torch.ones_like(x)], dim=-1)
    place = torch.einsum("bij,rcj->brci", back, pixel)[..., :2]
    aside = place - focus[:, None, None, :2]
    drop = (focus[:, 2] + gap)[:, None, None]
    return torch.sqrt((aside**2).sum(-1) + drop**2)

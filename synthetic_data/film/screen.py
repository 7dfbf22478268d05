"""Films photographed from a screen: seen at an angle, with the screen's own pixels, a reflection, uneven light."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.synthetic_data.film.draws import send


def draw_angles(
    rng: np.random.Generator, count: int, size: tuple[int, int], strength: float = 1.0
) -> npt.NDArray[np.float64]:
    """Maps (B, 3, 3) from pixels of the photograph to pixels of the film: a pinhole camera in front of a plane.

    The camera leans up to about ten degrees (times ``strength``) and stands two to four film heights away; the
    centre of the film stays where it is, at its scale.

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
    size : (rows, columns)
        Of the film.
    strength : float
        1 as met in practice.

    Returns
    -------
    ndarray, shape (count, 3, 3)
    """
    rows, columns = size
    lean = np.radians(strength * rng.normal(0, 4.0, (count, 2)).clip(-12, 12))
    roll = np.radians(strength * rng.normal(0, 1.5, count))
    away = rng.uniform(2.0, 4.0, count) * max(size)
    middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
    (cx, cy), (sx, sy) = np.cos(lean).T, np.sin(lean).T
    cr, sr = np.cos(roll), np.sin(roll)
    # Axes of the film's plane as the camera sees them; the photograph is x / z, y / z.
    right = np.stack([cy, np.zeros(count), -sy], 1)
    down = np.stack([sx * sy, cx, sx * cy], 1)
    turn = np.zeros((count, 3, 3))
    turn[:, 0, 0], turn[:, 0, 1], turn[:, 1, 0], turn[:, 1, 1], turn[:, 2, 2] = cr, -sr, sr, cr, 1
    plane = np.zeros((count, 3, 3))
    plane[:, :, 0], plane[:, :, 1], plane[:, 2, 2] = right, down, away
    plane[:, 2] /= away[:, None]
    centre = np.eye(3)
    centre[:2, 2] = middle
    photo_from_film = centre @ turn @ plane @ np.linalg.inv(centre)
    return np.asarray(np.linalg.inv(photo_from_film))


def move_points(matrix: Tensor, points: Tensor) -> Tensor:
    """Points (B, N, 2) through maps (B, 3, 3), affine or projective."""
    moved = points @ matrix[:, :, :2].transpose(1, 2) + matrix[:, None, :, 2]
    return moved[..., :2] / moved[..., 2:]


def photograph(images: Tensor, film_from_photo: Tensor) -> Tensor:
    """Films (B, R, C) as a camera sees them; what lies beyond a film is black like the rim of a screen."""
    count, rows, columns = images.shape
    y, x = torch.meshgrid(torch.arange(rows), torch.arange(columns), indexing="ij")
    pixels = torch.stack([x, y], -1).reshape(1, -1, 2).to(film_from_photo)
    place = move_points(film_from_photo, pixels.expand(count, -1, -1)).reshape(count, rows, columns, 2)
    grid = (2 * place + 1) / torch.tensor([columns, rows]).to(place) - 1
    return F.grid_sample(images[:, None], grid.to(images), padding_mode="zeros", align_corners=False)[:, 0]


def show_on_screen(images: Tensor, rng: np.random.Generator, strength: float = 1.0) -> Tensor:
    """Grey values (B, R, C) as a camera takes them from a screen.

    Parameters
    ----------
    images : Tensor, shape (B, R, C)
        Grey values 0 to 1.
    rng : numpy.random.Generator
    strength : float
        1 as met in practice.

    Returns
    -------
    Tensor, shape (B, R, C)
        Grey values 0 to 1.
    """
    count, rows, columns = images.shape
    device = images.device

    def draw(low: float, high: float) -> npt.NDArray[np.float64]:
        return rng.uniform(low, high, count)

    def sent(values: npt.NDArray[np.float64]) -> Tensor:
        return send(values, device)

    y = torch.linspace(-1, 1, rows, device=device)[:, None]
    x = torch.linspace(-1, 1, columns, device=device) * (columns / rows)
    # Two gratings of nearly the same pitch, screen and sensor, beat in broad bands.
    fringes = torch.zeros_like(images)
    for _ in range(2):
        angle, period = draw(0, 2 * np.pi), np.exp(draw(np.log(0.01), np.log(0.25)))
        bend = sent(draw(-0.6, 0.6))
        kx, ky = sent(np.cos(angle) / period), sent(np.sin(angle) / period)
        fringes = fringes + torch.cos(2 * np.pi * (kx * x + ky * y + bend * x * y / 0.5))
    images = images * (1 + fringes * sent(strength * draw(0.0, 0.035)))
    # A window or a lamp in the glass.
    far = torch.hypot(x - sent(draw(-0.8, 0.8)), y - sent(draw(-1.1, 1.1))) / sent(draw(0.15, 0.6))
    lamp = np.where(rng.random(count) < 0.6, draw(0.05, 0.4), 0.0)
    images = images + sent(strength * lamp) * torch.exp(-0.5 * far**2)
    light = 1 + sent(draw(-0.2, 0.2)) * x + sent(draw(-0.2, 0.2)) * y
    veil = sent(draw(0.0, 0.15))
    return ((veil + (1 - veil) * images) * light).clamp(0, 1) ** sent(np.exp(draw(-0.35, 0.35)))

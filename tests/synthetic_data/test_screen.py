"""Photographs of a screen: the geometry of a pinhole camera, and points that move with the picture."""

import numpy as np
import pytest
import torch
from scipy.ndimage import center_of_mass

from raysplay.synthetic_data.film.screen import draw_angles, move_points, photograph, show_on_screen

SIZE = (160, 120)


def test_the_middle_stays_and_straight_lines_stay_straight():
    maps = torch.from_numpy(draw_angles(np.random.default_rng(1), 20, SIZE))
    middle = torch.tensor([[[59.5, 79.5]]], dtype=torch.float64).expand(20, 1, 2)
    assert move_points(maps, middle).numpy() == pytest.approx(middle.numpy(), abs=1e-6)
    line = torch.stack([torch.linspace(5, 110, 7), torch.linspace(140, 20, 7)], -1).double()
    moved = move_points(maps, line[None].expand(20, -1, -1)).numpy()
    for points in moved:
        way = points - points[0]
        cross = way[1:-1, 0] * way[-1, 1] - way[1:-1, 1] * way[-1, 0]
        assert np.abs(cross).max() / np.hypot(*way[-1]) < 1e-6


def test_a_map_is_that_of_a_plane_before_a_pinhole():
    # A homography H = K [r1 r2 t] of a camera with square pixels: r1 and r2 are orthogonal and of equal length
    # (Hartley and Zisserman, Multiple View Geometry, 8.8: constraints of a plane on the image of the absolute conic).
    rng = np.random.default_rng(2)
    for film_from_photo in draw_angles(rng, 10, SIZE):
        centre = np.array([[1, 0, 59.5], [0, 1, 79.5], [0, 0, 1]])
        h = np.linalg.inv(centre) @ np.linalg.inv(film_from_photo) @ centre
        # Focal length f is free: w = diag(1, 1, f^2) up to scale must satisfy both constraints with one f.
        a, b = h[:, 0], h[:, 1]
        if abs(a[2] * b[2]) < 1e-12:
            continue
        f2 = -(a[0] * b[0] + a[1] * b[1]) / (a[2] * b[2])
        assert a[:2] @ a[:2] + f2 * a[2] ** 2 == pytest.approx(b[:2] @ b[:2] + f2 * b[2] ** 2, rel=1e-6)


def test_points_move_with_the_picture():
    maps = draw_angles(np.random.default_rng(3), 8, SIZE, 1.5)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    photo_from_film = torch.from_numpy(np.linalg.inv(maps))
    for at in ((30.3, 41.7), (88.1, 120.4), (60.0, 60.0)):
        blob = np.exp(-0.5 * ((x - at[0]) ** 2 + (y - at[1]) ** 2) / 3.0**2).astype(np.float32)
        seen = photograph(torch.from_numpy(blob).expand(8, -1, -1), torch.from_numpy(maps)).numpy()
        places = move_points(photo_from_film, torch.tensor([[at]], dtype=torch.float64).expand(8, 1, 2))[:, 0].numpy()
        for picture, place in zip(seen, places, strict=True):
            assert center_of_mass(picture)[::-1] == pytest.approx(place, abs=0.1)


def test_a_screen_shows_grey_values():
    images = torch.rand(6, *SIZE, generator=torch.Generator().manual_seed(1))
    shown = show_on_screen(images, np.random.default_rng(1))
    assert shown.shape == images.shape
    assert 0 <= float(shown.min()) <= float(shown.max()) <= 1
    assert not torch.equal(shown, images)

"""Rods, bars and domes: path lengths against geometry written out."""

import numpy as np
import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.synthetic_data.film.parts import FRAMES, Part, parts_path, table

SIZE = (200, 160)
PIXEL = torch.tensor([0.25])
BASE, HEAD = (80.0, 160.0), (80.0, 40.0)


def upright_foot(mirrored=False):
    """Landmarks (1, L, 2): the first metatarsal at x = 80 from row 160 to row 40, the little toe to the right."""
    points = torch.full((1, len(landmark_schema()), 2), 100.0)
    schema = landmark_schema()
    points[0, schema.index("M1_base_c")] = torch.tensor(BASE)
    points[0, schema.index("M1_head_c")] = torch.tensor(HEAD)
    points[0, schema.index("M5_lat")] = torch.tensor([20.0 if mirrored else 140.0, 100.0])
    return points


def drawn(*parts, points=None):
    rows = table([parts], "cpu")
    return parts_path(rows, upright_foot() if points is None else points, PIXEL, SIZE)[0].numpy()


ALL = ("M1", 0.0, 0.0), ("M1", 1.0, 0.0)


def test_a_rod_has_the_chord_of_a_cylinder():
    # Through a cylinder of radius r at distance d from its axis runs a chord of 2 sqrt(r^2 - d^2); absorbs 3 a mm.
    path = drawn(Part(*ALL, radius=4.0, absorbs=3.0))
    d = (np.arange(SIZE[1]) - 80) * 0.25
    expected = 3 * 2 * np.sqrt(np.clip(4.0**2 - d**2, 0, None))
    assert path[100] == pytest.approx(expected, abs=1e-3)
    # It ends where the bone does: 120 pixels long.
    assert path[:, 80].sum() == pytest.approx(120 * path[100, 80], rel=1e-4)
    assert path[35].max() == path[165].max() == 0


def test_the_volume_of_a_rod_is_that_of_a_cylinder():
    path = drawn(Part(*ALL, radius=4.0, absorbs=1.0))
    assert path.sum() * 0.25**2 == pytest.approx(np.pi * 4.0**2 * 120 * 0.25, rel=0.01)


def test_a_bore_takes_its_own_chord_away():
    path = drawn(Part(*ALL, radius=4.0, absorbs=1.0, bore=1.5))
    d = (np.arange(SIZE[1]) - 80) * 0.25
    chord = lambda r: 2 * np.sqrt(np.clip(r**2 - d**2, 0, None))  # noqa: E731
    assert path[100] == pytest.approx(chord(4.0) - chord(1.5), abs=1e-3)


def test_a_thread_repeats_with_its_pitch():
    path = drawn(Part(*ALL, radius=4.0, absorbs=1.0, thread=1.0, pitch=3.0))[50:150, 80]
    assert path.max() == pytest.approx(8.0, abs=0.1)
    assert path.min() == pytest.approx(6.0, abs=0.4)
    assert path[12:84] == pytest.approx(path[:72], abs=1e-2)


def test_a_bar_is_flat_with_holes_and_screws_in_them():
    path = drawn(Part(*ALL, radius=4.0, absorbs=1.0, flat=2.0, spacing=6.0, hole=1.5, filled=14.0))
    column = path[:, 80]
    # 30 mm hold five places of 6 mm; their middles are 3, 9, 15, 21 and 27 mm from the base.
    for mm in (3, 9, 15, 21, 27):
        assert column[round(160 - mm / 0.25)] == pytest.approx(14.0, abs=0.01)
    for mm in (6, 12, 18, 24):
        assert column[round(160 - mm / 0.25)] == pytest.approx(2.0, abs=0.01)


def test_a_dome_has_the_volume_of_an_ellipsoid():
    # Semi-axes 15 mm, 4 mm and half the greatest path, 5 mm.
    path = drawn(Part(*ALL, radius=4.0, absorbs=1.0, dome=10.0))
    assert path.max() == pytest.approx(10.0, abs=0.1)
    assert path.sum() * 0.25**2 == pytest.approx(4 / 3 * np.pi * 15 * 4 * 5, rel=0.01)


def test_a_screw_seen_along_its_axis_is_a_disc():
    at = ("M1", 0.5, 0.0)
    path = drawn(Part(at, at, radius=2.0, absorbs=1.0, flat=11.0))
    assert path[100, 80] == pytest.approx(11.0)
    assert path.sum() * 0.25**2 == pytest.approx(np.pi * 4 * 11, rel=0.02)


@pytest.mark.parametrize("mirrored", [False, True])
def test_across_means_towards_the_little_toe_on_either_foot(mirrored):
    path = drawn(Part(("M1", 0.5, 10.0), ("M1", 0.5, 10.5), 1.0, 1.0, flat=3.0), points=upright_foot(mirrored))
    column = np.nonzero(path.sum(0))[0].mean()
    assert column == pytest.approx(80 + (-1 if mirrored else 1) * 41, abs=1)


def test_parts_of_a_batch_do_not_mix_and_short_rows_add_nothing():
    one, two = Part(*ALL, radius=4.0, absorbs=1.0), Part(*ALL, radius=2.0, absorbs=1.0)
    points = upright_foot().expand(3, -1, -1)
    path = parts_path(table([[one], [one, two], []], "cpu"), points, PIXEL.expand(3), SIZE)
    assert torch.equal(path[0], torch.from_numpy(drawn(one)))
    assert torch.allclose(path[1] - path[0], torch.from_numpy(drawn(two)), atol=1e-5)
    assert float(path[2].abs().max()) == 0


def test_bones_that_have_no_place_carry_nothing():
    points = upright_foot()
    points[0, landmark_schema().index("M1_head_c")] = torch.nan
    assert (drawn(Part(*ALL, radius=4.0, absorbs=1.0), points=points) == 0).all()


def test_frames_name_landmarks_of_one_bone_each():
    schema = landmark_schema()
    for name, ends in FRAMES.items():
        bones = {schema.bones[schema.index(code)] for codes in ends for code in codes}
        assert len(bones) == 1, name

"""Pictures and points go by one matrix; pixel centres at integers (the convention that ``records.py`` states)."""

import numpy as np
import pytest
import torch
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import procrustes
from skimage.transform import SimilarityTransform

from raysplay.infer.warp import crop, shrink, similarity, transform_covariance, transform_points
from raysplay.train.warp import warp

SIZE = (96, 128)


def about(middle, angle=0.0, scale=1.0, mirror=False, to=None):
    """Turn by ``angle`` degrees, scale and perhaps mirror about ``middle``, which is carried to ``to``."""
    c, s = scale * np.cos(np.radians(angle)), scale * np.sin(np.radians(angle))
    matrix = np.array([[c, -s, 0.0], [s, c, 0.0], [0, 0, 1]]) @ np.diag([-1.0 if mirror else 1.0, 1, 1])
    matrix[:2, 2] = np.asarray(middle if to is None else to, float) - matrix[:2, :2] @ np.asarray(middle, float)
    return matrix


def resample(image, source_from_target, size):
    picture = torch.as_tensor(image, dtype=torch.float32)[None, None]
    return warp(picture, torch.as_tensor(source_from_target)[None], size, fill="zeros")[0, 0].numpy()


@pytest.mark.parametrize("angle", [0, 7, 45, 90, 180, -133])
@pytest.mark.parametrize("scale", [0.7, 1.0, 1.6])
@pytest.mark.parametrize("mirror", [False, True])
def test_a_blob_goes_where_its_point_goes(draw_blob, centre_of_mass, angle, scale, mirror):
    at = np.array([58.3, 41.8])
    target_from_source = about((63.5, 47.5), angle, scale, mirror, to=(71.2, 50.4))
    out = resample(draw_blob(SIZE, at, 4.0), np.linalg.inv(target_from_source), (110, 140))
    assert centre_of_mass(out) == pytest.approx(transform_points(target_from_source, at), abs=0.03)


def test_a_crop_is_a_shift(draw_blob):
    image = draw_blob(SIZE, (60, 40), 5.0)
    out = resample(image, np.array([[1.0, 0, 20], [0, 1, 10], [0, 0, 1]]), (50, 60))
    assert out == pytest.approx(image[10:60, 20:80], abs=2e-5)


def test_turning_a_picture_by_a_right_angle_moves_pixels_only():
    # Reference: numpy.rot90, counter-clockwise as seen, which takes (x, y) to (y, columns - 1 - x).
    image = np.random.default_rng(1).random(SIZE)
    rows, columns = SIZE
    target_from_source = np.array([[0, 1.0, 0], [-1, 0, columns - 1], [0, 0, 1]])
    out = resample(image, np.linalg.inv(target_from_source), (columns, rows))
    assert out == pytest.approx(np.rot90(image), abs=1e-4)


def test_each_picture_of_a_batch_has_its_own_matrix_and_the_border_is_as_asked(draw_blob, centre_of_mass):
    images = torch.as_tensor(np.stack([draw_blob(SIZE, (50, 40), 4)] * 2), dtype=torch.float32)[:, None]
    shifts = np.stack([np.eye(3), about((0, 0), to=(5, -3))])
    out = warp(images, torch.as_tensor(shifts), SIZE)
    assert centre_of_mass(out[0, 0]) == pytest.approx([50, 40], abs=0.03)
    assert centre_of_mass(out[1, 0]) == pytest.approx([45, 43], abs=0.03)
    away = torch.as_tensor(about((0, 0), to=(500, 0)))[None]
    ones = torch.ones(1, 1, *SIZE)
    assert float(warp(ones, away, (4, 4), fill="zeros").abs().max()) == 0.0
    assert float(warp(ones, away, (4, 4)).min()) == 1.0


@pytest.mark.parametrize("factor", [1.0, 1.7, 3.4, 5.0])
@pytest.mark.parametrize("angle", [0, 30, 180])
@pytest.mark.parametrize("mirror", [False, True])
def test_a_crop_of_a_fine_film_keeps_places(draw_blob, centre_of_mass, factor, angle, mirror):
    film_at = np.array([411.3, 286.6])
    film = draw_blob((601, 803), film_at, 3.0 * factor).astype(np.float32)
    film_from_crop = about((64, 48), angle, factor, mirror, to=(420.0, 300.0))
    out = crop(film, film_from_crop, SIZE)
    expected = transform_points(np.linalg.inv(film_from_crop), film_at)
    assert out.dtype == np.float32
    assert centre_of_mass(out) == pytest.approx(expected, abs=0.1)


def test_fine_noise_is_averaged_when_a_film_is_made_small():
    # White noise of spread 1 averaged over blocks of 5 x 5 has a spread of 1/5; bilinear reading only lowers it.
    film = np.random.default_rng(2).normal(0, 1, (600, 600)).astype(np.float32)
    out = crop(film, about((48, 48), 0, 5.0, to=(300, 300)), (96, 96))
    assert out.std() < 0.21


@pytest.mark.parametrize("factor", [1, 2, 3, 7])
def test_shrinking_averages_blocks_and_says_where_they_lie(factor):
    image = np.random.default_rng(3).random((42, 84)).astype(np.float32)
    small, matrix = shrink(image, factor)
    assert small.shape == (42 // factor, 84 // factor)
    for row, column in ((0, 0), (3, 5)):
        block = (slice(row * factor, (row + 1) * factor), slice(column * factor, (column + 1) * factor))
        y, x = np.mgrid[block]
        assert small[row, column] == pytest.approx(image[block].mean(), abs=1e-6)
        assert transform_points(matrix, np.array([column, row])) == pytest.approx([x.mean(), y.mean()])


def test_shrinking_a_film_that_does_not_divide_repeats_its_edge():
    image = np.arange(5, dtype=np.float32)[None].repeat(2, 0)
    small, _ = shrink(image, 2)
    assert small == pytest.approx(np.array([[0.5, 2.5, 4.0]]))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(3, 12), st.floats(0.0, 2.0))
def test_similarity_is_that_of_scikit_image(seed, count, noise):
    rng = np.random.default_rng(seed)
    source = rng.normal(0, 50, (count, 2))
    target = transform_points(about((3, 4), rng.uniform(-180, 180), rng.uniform(0.3, 3)), source)
    target = target + rng.normal(0, noise, target.shape)
    expected = SimilarityTransform.from_estimate(source, target)
    assert similarity(source, target) == pytest.approx(expected.params, rel=1e-6, abs=1e-6)


def test_similarity_leaves_the_gap_that_procrustes_leaves():
    rng = np.random.default_rng(5)
    source = rng.normal(0, 40, (9, 2))
    target = transform_points(about((0, 0), 50, 1.3), source) + rng.normal(0, 2, (9, 2))
    gap = transform_points(similarity(source, target), source) - target
    _, _, disparity = procrustes(target, source)
    spread = ((target - target.mean(0)) ** 2).sum()
    assert (gap**2).sum() / spread == pytest.approx(disparity, rel=1e-9)


def test_weights_count_as_repeated_points_and_no_mirror_image_is_taken():
    rng = np.random.default_rng(6)
    source, target = rng.normal(0, 40, (5, 2)), rng.normal(0, 40, (5, 2))
    weight = np.array([3.0, 1, 2, 1, 0])
    times = weight.astype(int)
    repeated = similarity(np.repeat(source, times, 0), np.repeat(target, times, 0))
    assert similarity(source, target, weight) == pytest.approx(repeated, abs=1e-9)
    assert np.linalg.det(similarity(source, source * [-1, 1])) > 0


def test_one_point_alone_gives_no_similarity():
    with pytest.raises(ValueError, match="coincide"):
        similarity(np.ones((4, 2)), np.eye(4)[:, :2])


def test_covariance_goes_as_sampled_points_go():
    rng = np.random.default_rng(7)
    covariance = np.array([[4.0, 1.5], [1.5, 2.0]])
    matrix = about((10, 20), 35, 0.4, mirror=True) @ np.diag([1, 1.7, 1])
    cloud = transform_points(matrix, rng.multivariate_normal([5, 6], covariance, 200_000))
    carried = transform_covariance(matrix, covariance[None])
    assert carried.shape == (1, 2, 2)
    # 200 000 points give a variance to 0.3 percent (its relative error is the root of 2 / n); five such are allowed.
    assert carried[0] == pytest.approx(np.cov(cloud.T), abs=0.016 * np.cov(cloud.T).max())


@pytest.mark.parametrize("scale", [0.4, 1.0, 2.3, 5.0])
@pytest.mark.parametrize(("x", "y"), [(150.0, 120.0), (-20.0, 10.0), (295.0, 235.0), (900.0, -400.0)])
def test_a_crop_of_part_of_a_film_is_that_of_the_whole_film_made_small(scale, x, y):
    """Only the blocks under the crop are averaged; at the border and beyond it nothing changes (no source)."""
    film = np.random.default_rng(3).random((241, 301)).astype(np.float32)
    matrix = np.array([[0.8 * scale, -0.6 * scale, x], [0.6 * scale, 0.8 * scale, y], [0, 0, 1.0]])
    small, film_from_small = shrink(film, max(1, int(scale + 0.25)))
    whole = warp(
        torch.from_numpy(small)[None, None], torch.from_numpy(np.linalg.inv(film_from_small) @ matrix)[None], (48, 32)
    )
    np.testing.assert_allclose(crop(film, matrix, (48, 32)), whole[0, 0].numpy(), atol=2e-4)

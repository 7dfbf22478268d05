"""Refined landmarks against tubes of bone whose outline is known by construction."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from raysplay.configs import landmark_schema
from raysplay.infer.records import FootLandmarks, FoundFoot
from raysplay.infer.shafts.cortex import find_cortices
from raysplay.infer.shafts.refine import refine_shafts
from raysplay.infer.shafts.strips import Shafts, cut_strips


def refined_points(film, points, covariance, confidence, settings):
    foot = FoundFoot(np.eye(3), "R", 1.0, 1.0, {})
    read = refine_shafts(film, FootLandmarks(foot, points, covariance, confidence), landmark_schema(), settings)
    assert read.foot is foot
    assert read.confidence is confidence
    return read.points, read.covariance


@pytest.fixture
def refine(settings):
    """Corners of the one bone that ``read`` relies on, and their covariances, after refinement."""

    def refined(film, read):
        *placed, index = read
        points, covariance = refined_points(film, *placed, settings)
        return points[index], covariance[index]

    return refined


def axis_error(corners, truth):
    """Degrees between the axes through the mid-points."""
    a, b = (c[2:].mean(0) - c[:2].mean(0) for c in (corners, truth))
    return np.degrees(np.arctan2(a[0] * b[1] - a[1] * b[0], a @ b))


@pytest.mark.parametrize("angle", [-35.0, 0.0, 90.0, 170.0])
@pytest.mark.parametrize("cortex", [0.12, 0.3])
@pytest.mark.parametrize("blur", [0.7, 1.5])
def test_edges_are_found_at_the_outline(tube, angle, cortex, blur):
    """To 0.8 % of the width, from lines that are up to 2.5 % off."""
    bone = tube(angle=angle, cortex=cortex)
    _, across, _ = bone.frame()
    truth = bone.corners()
    shafts = Shafts.of((truth + np.outer([1.5, 2.0, -1.8, -0.9], across))[None])
    ends = shafts.level.reshape(1, 2, 2).swapaxes(1, 2)
    fits = find_cortices(cut_strips(bone.film(blur).pixels, np.eye(3), shafts), ends, np.full((1, 2, 2), 0.03))
    inward = np.array([[-1.5, 1.8], [2.0, -0.9]]) / (2 * bone.radius)
    assert fits.offset[0] * shafts.width[0] / (2 * bone.radius) == pytest.approx(inward, abs=0.008)


@pytest.mark.parametrize("angle", [-35.0, 0.0, 90.0, 170.0])
@pytest.mark.parametrize("blur", [0.7, 1.5])
def test_points_move_toward_the_outline(tube, landmarks, angle, blur, refine):
    bone = tube(angle=angle)
    _, across, _ = bone.frame()
    truth = bone.corners()
    start = truth + np.outer([1.5, 2.0, -1.8, -0.9], across)
    placed, spread = refine(bone.film(blur), landmarks(start, 1.6))
    before, after = (start - truth) @ across, (placed - truth) @ across
    assert np.abs(after).max() < 0.6 * np.abs(before).max()
    assert abs(axis_error(placed, truth)) < 0.5 * abs(axis_error(start, truth))
    assert (np.einsum("i,kij,j->k", across, spread, across) < 1.6**2).all()


def test_the_outline_is_missed_alike_on_both_sides(tube, landmarks, refine):
    """Path length goes to zero at the outline, so blur moves the edge inward; mid-points must not notice."""
    for blur in (0.7, 2.0, 4.0):
        bone = tube(cortex=0.15)
        _, across, _ = bone.frame()
        truth = bone.corners()
        placed, _ = refine(bone.film(blur, noise=0.002), landmarks(truth, 1.6))
        off = (placed - truth) @ across
        assert np.abs([off[:2].mean(), off[2:].mean()]).max() < 0.1, blur
        assert abs(axis_error(placed, truth)) < 0.08


@pytest.mark.parametrize("side", ["L", "R"])
@pytest.mark.parametrize("aspect", [1.0, 1.25])
def test_mirrored_films_and_oblong_pixels_change_nothing(tube, landmarks, side, aspect, refine):
    bone = tube(flare=0.5)
    truth = bone.corners()
    _, across, _ = bone.frame()
    start = truth + np.outer([1.5, 2.0, -1.8, -0.9], across)
    film = bone.film(1.0, noise=0.004)
    plain, _ = refine(film, landmarks(start, 1.6))
    pixels, points = film.pixels, start
    if side == "L":
        pixels, points = pixels[:, ::-1], points * [-1, 1] + [bone.side - 1, 0]
    scale = np.array([1.0, 1 / aspect])
    rows = np.arange(int(bone.side / aspect)) * aspect
    low = np.floor(rows).astype(int).clip(0, bone.side - 2)
    part = (rows - low)[:, None]
    pixels = (pixels[low] * (1 - part) + pixels[low + 1] * part).astype(np.float32)
    read = landmarks(points * scale, 1.6)
    read[1][:, 1, 1] /= aspect**2
    changed, _ = refine(replace(film, pixels=pixels, spacing=replace(film.spacing, aspect=aspect)), read)
    back = changed / scale
    if side == "L":
        back = back * [-1, 1] + [bone.side - 1, 0]
    assert back == pytest.approx(plain, abs=0.25 if aspect != 1 else 0.02)


def test_both_cortices_of_a_level_are_taken_at_one_level(tube, landmarks, refine):
    """A level is a cut across the axis (configs/landmarks.yaml); on a flared shaft two levels make a tilted one."""
    bone = tube(flare=1.2, angle=0.0)
    truth = bone.corners()
    axis, _, _ = bone.frame()
    slope = bone.radius * 1.2 / bone.length  # of the outline at the levels: flare * 2 * 0.5 * radius / length
    shift = np.array([4.0, -4.0, 3.0, -3.0])
    lateral = np.array([-1, 1, -1, 1])
    drift = lateral * slope * np.array([-1, -1, 1, 1]) * shift
    start = truth + shift[:, None] * axis + np.stack([drift, np.zeros(4)], axis=1)
    placed, _ = refine(bone.film(1.0, noise=0.002), landmarks(start, 1.6))
    level = (placed - truth) @ axis
    # To a tilt of the axis that the levels were cut across, about a degree here.
    assert np.abs(level[::2] - level[1::2]).max() < 0.25 * np.abs(shift[::2] - shift[1::2]).max()
    assert abs(axis_error(placed, truth)) < 0.25 * abs(axis_error(start, truth))


def test_a_blank_film_moves_nothing_and_narrows_nothing(tube, landmarks, refine):
    bone = tube()
    film = bone.film()
    blank = replace(film, pixels=np.full_like(film.pixels, 0.97))
    truth = bone.corners()
    placed, spread = refine(blank, landmarks(truth, 1.6))
    assert placed == pytest.approx(truth, abs=1e-9)
    assert all(np.linalg.eigvalsh(s)[0] >= 1.6**2 - 1e-9 for s in spread)


def crossing(bone, level, tilt, thickness=14.0, depth=90.0):
    """A dense bar over the shaft, at ``level`` of the axis, ``tilt`` degrees against it."""
    axis, _, start = bone.frame()
    a = np.radians(bone.angle + tilt)
    direction = np.array([np.sin(a), -np.cos(a)])
    y, x = np.mgrid[0 : bone.side, 0 : bone.side].astype(float)
    middle = start + level * bone.length * axis
    off = (x - middle[0]) * direction[1] - (y - middle[1]) * direction[0]
    return depth * (np.abs(off) < thickness)


@pytest.mark.parametrize("tilt", [25.0, 55.0, 90.0])
def test_a_shaft_crossed_by_something_dense_is_not_spoiled(tube, landmarks, tilt, refine):
    """A wire, a plate, another bone: its edges must not be taken for cortices with confidence."""
    bone = tube()
    truth = bone.corners()
    _, across, _ = bone.frame()
    film = bone.film(1.0, extra=crossing(bone, 0.0, tilt) + crossing(bone, 1.0, tilt))
    placed, spread = refine(film, landmarks(truth, 1.0))
    off = np.abs((placed - truth) @ across)
    sd = np.sqrt(np.einsum("i,kij,j->k", across, spread, across))
    assert (off < 1.2).all()
    assert (off < 2.5 * sd).all()


def test_where_there_is_no_shaft_the_points_are_not_led_astray(tube, landmarks, refine):
    """Cloud with edges everywhere, none of them straight: by chance some look like cortices, few pass."""
    bone = tube()
    truth = bone.corners()
    kept = 0
    for seed in range(12):
        cloud = gaussian_filter(np.random.default_rng(seed).normal(size=(bone.side, bone.side)), 3.0)
        film = replace(bone.film(), pixels=(0.5 + cloud).clip(0, 1).astype(np.float32))
        placed, spread = refine(film, landmarks(truth, 1.6))
        moved = np.linalg.norm(placed - truth, axis=1).max()
        assert moved < 1.6
        if moved < 1e-9:
            kept += 1
            assert min(np.linalg.eigvalsh(s)[0] for s in spread) > 0.999 * 1.6**2
    assert kept >= 9


def test_a_shaft_of_which_one_side_shows_is_not_rejected(tube, landmarks, refine):
    """The half of the film beyond the axis is white: a saturated neighbour."""
    bone = tube(angle=0.0)
    truth = bone.corners()
    film = bone.film(1.0)
    pixels = film.pixels.copy()
    pixels[:, bone.side // 2 :] = 1.0
    start = truth + np.array([[2.0, 0], [1.0, 0], [1.5, 0], [-1.0, 0]])
    placed, _ = refine(replace(film, pixels=pixels), landmarks(start, 1.6))
    assert np.abs((placed - truth)[[0, 2], 0]).max() < 1.0
    assert np.abs((placed - start)[[1, 3], 0]).max() < 0.3


def test_a_bent_shaft_is_read_by_its_cortices_at_the_levels(tube, landmarks, refine):
    """Halves at 15 degrees, the corners where the outline of either half is: what lies between must not matter."""
    lower, upper = tube(angle=-7.5), tube(angle=7.5)
    row = np.arange(lower.side)[:, None]
    path = np.where(row > (lower.side - 1) / 2, lower.path(), upper.path())
    film = replace(lower.film(), pixels=(0.25 + 0.6 * path / (2 * lower.radius)).astype(np.float32))
    truth = np.concatenate([lower.corners()[:2], upper.corners()[2:]])
    placed, _ = refine(film, landmarks(truth, 1.6))
    halves = lower.frame()[1], upper.frame()[1]
    off = np.concatenate([(placed - truth)[k : k + 2] @ across for k, across in zip((0, 2), halves, strict=True)])
    assert np.abs([off[:2].mean(), off[2:].mean()]).max() < 0.5


@pytest.mark.parametrize(("noise", "blur"), [(0.01, 1.0), (0.06, 1.5), (0.15, 2.5)])
def test_errors_are_as_large_as_the_covariance_says(tube, landmarks, noise, blur, refine):
    """Monte Carlo: the network errs by what it claims, every film has its own noise.

    Covariances are fitted to feet of many shapes; on one straight tube they may be too wide, not too narrow.
    """
    bone = tube(radius=25.0, length=110.0, side=300)
    axis, across, _ = bone.frame()
    truth = bone.corners()
    rng = np.random.default_rng(17)
    sd = 0.02 * 2 * bone.radius
    ratios, before = [], []
    for seed in range(60):
        start = truth + rng.normal(0, sd, (4, 1)) * across + rng.normal(0, sd, (4, 1)) * axis
        placed, spread = refine(bone.film(blur, noise, seed), landmarks(start, sd))
        spread_across = np.sqrt(np.einsum("i,kij,j->k", across, spread, across))
        ratios.append((placed - truth) @ across / spread_across)
        before.append([axis_error(start, truth), axis_error(placed, truth)])
    rms = np.sqrt(np.mean(np.square(ratios)))
    assert 0.4 < rms < 1.2
    assert np.mean(np.abs(ratios) < 1.645) > 0.85
    network, refined = np.sqrt(np.mean(np.square(before), axis=0))
    assert refined < (0.6 if noise < 0.05 else 1.0) * network


@pytest.mark.parametrize("spoil", ["confidence", "nan", "small"])
def test_bones_not_to_be_relied_on_are_left_alone(tube, landmarks, spoil, settings):
    bone = tube()
    points, covariance, confidence, index = landmarks(bone.corners() + 2.0, 1.6)
    if spoil == "confidence":
        confidence[index[1]] = settings.confidence_min - 0.01
    elif spoil == "nan":
        points[index[2]] = np.nan
    else:
        points[index] = points[index].mean(0) + np.array([[-1, 1], [1, 1], [-1, -1], [1, -1]])
    placed, spread = refined_points(bone.film(), points, covariance, confidence, settings)
    assert np.array_equal(placed, points, equal_nan=True)
    assert np.array_equal(spread, covariance)


def test_other_landmarks_and_the_given_arrays_stay_as_they_are(tube, landmarks, settings):
    bone = tube()
    points, covariance, confidence, index = landmarks(bone.corners() + 2.0, 1.6)
    kept = points.copy(), covariance.copy()
    placed, spread = refined_points(bone.film(), points, covariance, confidence, settings)
    assert np.array_equal(points, kept[0])
    assert np.array_equal(covariance, kept[1])
    others = np.setdiff1d(np.arange(len(points)), index)
    assert np.array_equal(placed[others], points[others])
    assert np.array_equal(spread[others], covariance[others])
    assert (placed[index] != points[index]).any()

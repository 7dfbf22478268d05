"""What must not change an angle, with shapely and scipy as independent geometry."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from shapely import LineString, MultiPoint, affinity

from raysplay.measure import MEASURES, measure_feet, measure_values, to_foot_frame

SEEDS = st.integers(0, 2**32 - 1)
AXES = {"hva": ("M1", "PP"), "ima": ("M1", "M2"), "hia": ("PP", "DP"), "ima45": ("M4", "M5")}


@pytest.fixture(scope="session")
def random_foot(golden_foot, schema):
    """A foot unlike the golden one: every point moved by several mm, varus as well as valgus."""

    def draw(seed):
        rng = np.random.default_rng(seed)
        return np.nan_to_num(golden_foot) + rng.normal(0.0, 3.0, (1, len(schema), 2))

    return draw


def read(points, schema):
    return np.array([value[0] for value in measure_values(points, schema).values()])


def assert_same_angles(a, b):
    """Angles on the circle, so that -180 and 180 are one."""
    np.testing.assert_allclose((a - b + 180.0) % 360.0, 180.0, atol=1e-6)


def through_shapely(points, change):
    return np.array([[p.coords[0] for p in change(MultiPoint(points[0])).geoms]])


@settings(max_examples=60, deadline=None)
@given(seed=SEEDS)
def test_angles_agree_with_independent_libraries(random_foot, schema, seed):
    """Midpoints from shapely's centroids, the signed angle as scipy's smallest turn between directions."""
    foot = random_foot(seed)

    def point(code):
        return foot[0, schema.index(code)]

    def axis(bone):
        if bone == "DP":
            return point("DP_tip") - point("DP_base_c")
        proximal, distal = (
            LineString([point(f"{bone}{level}_med"), point(f"{bone}{level}_lat")]).centroid for level in "pd"
        )
        return np.array([distal.x - proximal.x, distal.y - proximal.y])

    expected = []
    for measure in MEASURES:
        v, w = (np.append(axis(bone), 0.0) for bone in AXES[measure.name])
        turn, _ = Rotation.align_vectors(w / np.linalg.norm(w), v / np.linalg.norm(v))
        expected.append(-np.degrees(turn.as_rotvec()[2]))  # lateral is clockwise in this frame
    assert_same_angles(read(foot, schema), np.array(expected))


@settings(max_examples=40, deadline=None)
@given(
    seed=SEEDS,
    turn=st.floats(-360, 360),
    shift=st.tuples(st.floats(-5000, 5000), st.floats(-5000, 5000)),
    factor=st.floats(0.01, 100),
)
def test_rotation_translation_and_scale(random_foot, schema, seed, turn, shift, factor):
    foot = random_foot(seed)
    before = read(foot, schema)
    rotated = through_shapely(foot, lambda g: affinity.rotate(g, turn, origin=(3.0, 5.0)))
    shifted = through_shapely(foot, lambda g: affinity.translate(g, *shift))
    scaled = through_shapely(foot, lambda g: affinity.scale(g, factor, factor, origin=(0, 0)))
    for changed in (rotated, shifted, scaled):
        assert_same_angles(read(changed, schema), before)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS, row=st.floats(0.05, 0.4), column=st.floats(0.05, 0.4), turn=st.floats(-180, 180))
def test_mirror_with_other_side_and_pixels_that_are_not_square(random_foot, schema, seed, row, column, turn):
    foot = random_foot(seed)
    shown = through_shapely(foot, lambda g: affinity.rotate(g, turn, origin=(0, 0)))
    film = through_shapely(
        shown, lambda g: affinity.translate(affinity.scale(g, 1 / column, -1 / row, origin=(0, 0)), 900, 1400)
    )
    mirrored = through_shapely(film, lambda g: affinity.scale(g, -1, 1, origin=(850, 0)))
    right, _ = to_foot_frame(film, None, ["R"], row_mm=row, column_mm=column)
    left, _ = to_foot_frame(mirrored, None, ["L"], row_mm=row, column_mm=column)
    assert_same_angles(read(right, schema), read(foot, schema))
    assert_same_angles(read(left, schema), read(foot, schema))


def test_square_pixels_taken_for_granted_would_be_wrong(golden_foot, schema):
    """Guards the test above: uncorrected anisotropy changes the angles by degrees."""
    film = np.nan_to_num(golden_foot) * [1 / 0.1, -1 / 0.2]
    uncorrected, _ = to_foot_frame(film, None, ["R"])
    assert np.all(np.abs(read(uncorrected, schema) - read(np.nan_to_num(golden_foot), schema)) > 2.0)


@settings(max_examples=40, deadline=None)
@given(seed=SEEDS)
def test_swap_of_medial_and_lateral_cortex_keeps_shaft_angles(random_foot, schema, seed):
    foot = random_foot(seed)
    swapped = foot.copy()
    for bone in ("M1", "M2", "M4", "M5", "PP"):
        for level in "pd":
            pair = [schema.index(f"{bone}{level}_med"), schema.index(f"{bone}{level}_lat")]
            swapped[:, pair] = foot[:, pair[::-1]]
    assert_same_angles(read(swapped, schema), read(foot, schema))


@settings(max_examples=25, deadline=None)
@given(seed=SEEDS, turn=st.floats(-180, 180), factor=st.floats(0.05, 20))
def test_interval_width_does_not_depend_on_how_the_foot_lies(
    random_foot, schema, random_covariance, seed, turn, factor
):
    """The same foot and errors, rotated and in another unit, are known to the same degree."""
    foot = random_foot(seed)
    covariance = random_covariance(np.random.default_rng(seed), 1, len(schema))
    m = factor * Rotation.from_euler("z", turn, degrees=True).as_matrix()[:2, :2]
    here = measure_feet(foot, covariance, schema)
    there = measure_feet(foot @ m.T, m @ covariance @ m.T, schema)
    for measure in MEASURES:
        np.testing.assert_allclose(there[measure.name].sd, here[measure.name].sd, rtol=1e-6)

"""What must not change a measure, with shapely and scipy for the changes."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from shapely import MultiPoint, affinity

from raysplay.measure import MEASURES, measure_feet, measure_values, to_foot_frame

SEEDS = st.integers(0, 2**32 - 1)
SIDED = {"eminence_width", "eminence_width_ratio", "lateral_sesamoid"}
"""Measures that stand on one cortex by their definition, so that a swap of cortices must change them."""


def read(points, schema):
    return np.array([value[0] for value in measure_values(points, schema, millimetres=True).values()])


def assert_same(a, b, factor=1.0, measures=MEASURES):
    for measure, one, other in zip(measures, a, b, strict=True):
        if measure.unit == "deg":  # on the circle, -180 and 180 are one
            np.testing.assert_allclose((one - other + 180.0) % 360.0, 180.0, atol=1e-6, err_msg=measure.name)
        else:
            other = other * (factor if measure.unit == "mm" else 1.0)
            np.testing.assert_allclose(one, other, rtol=1e-6, atol=1e-6 * factor, err_msg=measure.name)


def through_shapely(points, change):
    return np.array([[p.coords[0] for p in change(MultiPoint(points[0])).geoms]])


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
    assert_same(read(rotated, schema), before)
    assert_same(read(shifted, schema), before)
    assert_same(read(scaled, schema), before, factor)


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
    assert_same(read(right, schema), read(foot, schema))
    assert_same(read(left, schema), read(foot, schema))


def test_square_pixels_taken_for_granted_would_be_wrong(adducted_foot, schema):
    """Guards the test above: uncorrected anisotropy changes every measure of a foot that lies aslant."""
    whole_foot = through_shapely(adducted_foot, lambda g: affinity.rotate(g, 25, origin=(0, 0)))
    film = whole_foot * [1 / 0.1, -1 / 0.2]
    uncorrected, _ = to_foot_frame(film, None, ["R"])
    wrong, right = read(uncorrected, schema), read(whole_foot, schema)
    for measure, a, b in zip(MEASURES, wrong, right, strict=True):
        if measure.name in {"congruency_index", "tsp", "tsp_offset", "lateral_sesamoid"}:  # shares along one line
            continue
        assert abs(a - b) > (0.2 if measure.unit == "deg" else 0.003), measure.name


@settings(max_examples=30, deadline=None)
@given(seed=SEEDS)
def test_swap_of_medial_and_lateral_cortex_keeps_what_stands_on_shafts(random_foot, schema, seed):
    foot = random_foot(seed)
    swapped = foot.copy()
    for bone in ("M1", "M2", "M3", "M4", "M5", "PP", "PP2", "PP3", "PP4", "PP5"):
        for level in "pd":
            pair = [schema.index(f"{bone}{level}_med"), schema.index(f"{bone}{level}_lat")]
            swapped[:, pair] = foot[:, pair[::-1]]
    same = [measure for measure in MEASURES if measure.name not in SIDED]
    after, before = (
        np.array([v[0] for v in measure_values(points, schema, measures=same, millimetres=True).values()])
        for points in (swapped, foot)
    )
    assert_same(after, before, measures=same)


def test_swap_of_cortices_changes_what_stands_on_one_cortex(whole_foot, schema):
    swapped = whole_foot.copy()
    for level in "pd":
        pair = [schema.index(f"M1{level}_med"), schema.index(f"M1{level}_lat")]
        swapped[:, pair] = whole_foot[:, pair[::-1]]
    after, before = (measure_values(p, schema, millimetres=True) for p in (swapped, whole_foot))
    for name in SIDED:
        assert abs(after[name][0] - before[name][0]) > 0.1, name


@settings(max_examples=20, deadline=None)
@given(seed=SEEDS, turn=st.floats(-180, 180), factor=st.floats(0.05, 20))
def test_interval_width_does_not_depend_on_how_the_foot_lies(
    random_foot, schema, random_covariance, seed, turn, factor
):
    """The same foot and errors, rotated and in another unit, are known to the same degree."""
    foot = random_foot(seed, spread=1.0)
    covariance = random_covariance(np.random.default_rng(seed), 1, len(schema))
    m = factor * Rotation.from_euler("z", turn, degrees=True).as_matrix()[:2, :2]
    here = measure_feet(foot, covariance, schema, millimetres=True)
    there = measure_feet(foot @ m.T, m @ covariance @ m.T, schema, millimetres=True)
    for measure in MEASURES:
        if measure.name == "congruency_index":  # has no one derivative where an end of the overlap changes hands
            continue
        scale = factor if measure.unit == "mm" else 1.0
        np.testing.assert_allclose(
            there[measure.name].sd, scale * here[measure.name].sd, rtol=1e-5, err_msg=measure.name
        )

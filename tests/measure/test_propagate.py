"""Intervals against simulation, and what happens to feet that cannot be measured."""

import numpy as np
import pytest

from raysplay.measure import MEASURES, LandmarkSchema, measure_feet, measure_values, propagate

NAMES = [measure.name for measure in MEASURES]

# Project's fact sheet, section 3.3 (computed there, tag D): distance of two points in mm -> standard
# deviation of the axis in degrees for points known to 0.3, 0.5, 1.0 and 1.5 mm. The row printed as "50-55" is
# 50 mm.
POINT_SD = [0.3, 0.5, 1.0, 1.5]
AXIS_SD = {
    20.0: [1.2, 2.0, 4.1, 6.1],
    25.0: [0.97, 1.62, 3.24, 4.86],
    30.0: [0.81, 1.35, 2.70, 4.05],
    40.0: [0.61, 1.01, 2.03, 3.04],
    50.0: [0.49, 0.81, 1.62, 2.43],
}


def golden_only(golden_foot):
    return np.nan_to_num(golden_foot)


def noisy(rng, points, covariance):
    noise = np.linalg.cholesky(covariance) @ rng.standard_normal((*points.shape, 1))
    return points + noise[..., 0]


@pytest.mark.parametrize("length", AXIS_SD)
@pytest.mark.parametrize("column", range(len(POINT_SD)))
def test_landmark_error_table(length, column, schema):
    """The table by simulation and by propagation; the second metatarsal is exact, so IMA carries one axis."""
    tabled, rounding = AXIS_SD[length][column], 0.051 if length == 20.0 else 0.0051
    foot = np.zeros((1, len(schema), 2))
    covariance = np.zeros((1, len(schema), 2, 2))
    for bone, x in (("M1", -20.0), ("M2", 0.0)):
        for level, y in (("p", 20.0), ("d", 20.0 + length)):
            for cortex, half in (("med", -5.0), ("lat", 5.0)):
                i = schema.index(f"{bone}{level}_{cortex}")
                foot[0, i] = x + half, y
                if bone == "M1":  # a midpoint of two cortices is known better by the root of two
                    covariance[0, i] = 2.0 * POINT_SD[column] ** 2 * np.eye(2)
    assert measure_feet(foot, covariance, schema)["ima"].sd[0] == pytest.approx(tabled, abs=rounding)

    rng = np.random.default_rng(33)
    feet = np.repeat(foot, 20_000, axis=0)
    scale = np.sqrt(np.diagonal(covariance, axis1=-2, axis2=-1))
    simulated = measure_values(feet + scale * rng.standard_normal(feet.shape), schema)["ima"].std()
    assert simulated == pytest.approx(tabled, rel=0.03, abs=rounding)


@pytest.mark.parametrize("correlated", [False, True], ids=["independent", "correlated"])
def test_propagation_agrees_with_simulation(correlated, golden_foot, schema, random_covariance):
    """Linear propagation against 40,000 noisy copies of one foot (common practice, no source)."""
    rng = np.random.default_rng(5)
    size = 2 * len(schema)
    foot = golden_only(golden_foot)
    full = np.zeros((size, size))
    for i, block in enumerate(random_covariance(rng, 1, len(schema))[0]):
        full[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = block
    given = np.stack([full[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(len(schema))])[None]
    if correlated:
        mixing = rng.normal(0.0, 0.06, (size, size))
        full = full + mixing @ mixing.T
        given = full[None]
    result = measure_feet(foot, given, schema)
    noise = rng.standard_normal((40_000, size)) @ np.linalg.cholesky(full).T
    simulated = measure_values(foot + noise.reshape(-1, len(schema), 2), schema)
    for name in NAMES:
        assert result[name].sd[0] == pytest.approx(simulated[name].std(), rel=0.02), name


@pytest.mark.parametrize("level", [0.5, 0.90])
def test_nominal_interval_holds_the_truth(level, golden_foot, schema, random_covariance):
    """Coverage within two points of nominal (88 to 92 % for 90 %) under the noise that is assumed."""
    rng = np.random.default_rng(8)
    feet = 20_000
    truth = golden_only(golden_foot) + rng.normal(0.0, 1.5, (feet, len(schema), 2))
    covariance = random_covariance(rng, feet, len(schema))
    exact = measure_values(truth, schema)
    read = measure_feet(noisy(rng, truth, covariance), covariance, schema, level=level)
    for name in NAMES:
        held = np.mean((read[name].low <= exact[name]) & (exact[name] <= read[name].high))
        assert level - 0.02 <= held <= level + 0.02, (name, held)


def test_blocks_of_the_larger_covariance_are_the_smaller_one(golden_foot, schema, random_covariance):
    covariance = random_covariance(np.random.default_rng(1), 1, len(schema))
    full = np.zeros((1, len(schema), 2, len(schema), 2))
    for i in range(len(schema)):
        full[:, i, :, i, :] = covariance[:, i]
    full = full.reshape(1, 2 * len(schema), 2 * len(schema))
    for name in NAMES:
        small = measure_feet(golden_only(golden_foot), covariance, schema)[name]
        large = measure_feet(golden_only(golden_foot), full, schema)[name]
        assert large.sd[0] == pytest.approx(small.sd[0], rel=1e-9)


def test_points_that_move_together_do_not_turn_an_axis(golden_foot, schema):
    """Error shared by all points of a bone shifts it and leaves every shaft angle as it is."""
    same_bone = np.equal.outer(np.array(schema.bones), np.array(schema.bones)).astype(float)
    full = np.kron(same_bone, np.eye(2))[None]
    alone = np.broadcast_to(np.eye(2), (1, len(schema), 2, 2))
    shared = measure_feet(golden_only(golden_foot), full, schema)
    for name, independent in measure_feet(golden_only(golden_foot), alone, schema).items():
        assert shared[name].sd[0] == pytest.approx(0.0, abs=1e-3)
        assert independent.sd[0] > 2.0


def test_interval_is_symmetric_at_the_normal_quantile(golden_foot, schema):
    """1.6449 is the 95 % point of the standard normal distribution (any statistical table)."""
    covariance = np.broadcast_to(0.04 * np.eye(2), (1, len(schema), 2, 2))
    for array in measure_feet(golden_only(golden_foot), covariance, schema, level=0.90).values():
        assert (array.high - array.value)[0] == pytest.approx(1.6449 * array.sd[0], rel=1e-4)
        assert (array.value - array.low)[0] == pytest.approx(1.6449 * array.sd[0], rel=1e-4)


def test_inflation_widens_only_the_measure_it_names(golden_foot, schema):
    covariance = np.broadcast_to(0.04 * np.eye(2), (1, len(schema), 2, 2))
    plain = measure_feet(golden_only(golden_foot), covariance, schema)
    wide = measure_feet(golden_only(golden_foot), covariance, schema, inflation={"hva": 1.5})
    for name in NAMES:
        factor = 1.5 if name == "hva" else 1.0
        assert wide[name].sd[0] == pytest.approx(factor * plain[name].sd[0])
        assert wide[name].value[0] == plain[name].value[0]
        assert wide[name].high[0] - wide[name].low[0] == pytest.approx(
            factor * (plain[name].high[0] - plain[name].low[0])
        )


def test_exact_landmarks_give_an_interval_of_no_width(golden_foot, schema):
    result = measure_feet(golden_only(golden_foot), np.zeros((1, len(schema), 2, 2)), schema)
    for array in result.values():
        assert array.low[0] == array.value[0] == array.high[0]


def test_an_angle_across_the_half_turn_keeps_its_interval(schema):
    """Axes that point opposite ways: the derivative must not see the jump from 180 to -180 degrees."""
    foot = np.zeros((1, len(schema), 2))
    for bone, x, sign in (("M1", -20.0, 1.0), ("M2", 0.0, -1.0)):
        for level, y in (("p", 0.0), ("d", 30.0)):
            for cortex, half in (("med", -5.0), ("lat", 5.0)):
                foot[0, schema.index(f"{bone}{level}_{cortex}")] = x + half, sign * y
    covariance = np.broadcast_to(np.eye(2), (1, len(schema), 2, 2))
    ima = measure_feet(foot, covariance, schema)["ima"]
    assert abs(ima.value[0]) == pytest.approx(180.0)
    # two axes of 30 mm from midpoints known to 1 / sqrt(2) mm: sqrt(2) / 30 rad
    assert ima.sd[0] == pytest.approx(np.degrees(np.sqrt(2.0) / 30.0), rel=1e-6)


BREAKS = {
    "not a number": lambda p, c, v, i: p.__setitem__((1, i, 0), np.nan),
    "infinite": lambda p, c, v, i: p.__setitem__((1, i, 1), np.inf),
    "not visible": lambda p, c, v, i: v.__setitem__((1, i), False),
    "covariance missing": lambda p, c, v, i: c.__setitem__((1, i, 0, 0), np.nan),
    "negative variance": lambda p, c, v, i: c.__setitem__((1, i, 0, 0), -1.0),
    "correlation above one": lambda p, c, v, i: c.__setitem__((1, i), [[1.0, 2.0], [2.0, 1.0]]),
}


@pytest.mark.parametrize("break_it", BREAKS.values(), ids=BREAKS)
@pytest.mark.parametrize("code", ["M1p_lat", "PPd_med", "DP_tip", "M5d_lat", "SES_T_c"])
@pytest.mark.parametrize("form", ["blocks", "full"])
def test_a_bad_landmark_withholds_its_measures_on_its_foot_only(break_it, code, form, golden_foot, schema):
    """SES_T_c is needed by no measure here, so nothing may be withheld for it."""
    feet = np.repeat(golden_only(golden_foot), 3, axis=0)
    covariance = np.repeat(np.broadcast_to(0.04 * np.eye(2), (1, len(schema), 2, 2)), 3, axis=0).copy()
    visible = np.ones(feet.shape[:2], dtype=bool)

    def read():
        given = covariance
        if form == "full":
            given = np.zeros((3, len(schema), 2, len(schema), 2))
            for i in range(len(schema)):
                given[:, i, :, i, :] = covariance[:, i]
            given = given.reshape(3, 2 * len(schema), 2 * len(schema))
        return measure_feet(feet, given, schema, visible=visible)

    whole = read()
    break_it(feet, covariance, visible, schema.index(code))
    broken = read()
    for measure in MEASURES:
        for field in ("value", "sd", "low", "high"):
            before, after = getattr(whole[measure.name], field), getattr(broken[measure.name], field)
            assert after[0] == before[0]
            assert after[2] == before[2]
            if code in measure.landmarks:
                assert np.isnan(after[1])
            else:
                assert after[1] == before[1]


@pytest.mark.parametrize("offset", [0.0, 1234.567], ids=["at the origin", "far from it"])
def test_an_axis_without_length_is_withheld(offset, golden_foot, schema):
    feet = np.repeat(golden_only(golden_foot), 2, axis=0) + offset
    for cortex in ("med", "lat"):
        feet[0, schema.index(f"PPd_{cortex}")] = feet[0, schema.index(f"PPp_{cortex}")]
    covariance = np.broadcast_to(0.04 * np.eye(2), (2, len(schema), 2, 2))
    result = measure_feet(feet, covariance, schema)
    for name in NAMES:
        assert np.isnan(result[name].value[0]) == (name in {"hva", "hia"})
        assert np.isnan(result[name].low[0]) == (name in {"hva", "hia"})
        assert np.isfinite(result[name].high[1])


def test_all_landmarks_in_one_place_give_nothing(schema):
    result = measure_feet(np.ones((1, len(schema), 2)), np.zeros((1, len(schema), 2, 2)), schema)
    assert all(np.isnan(array.value[0]) and np.isnan(array.sd[0]) for array in result.values())


def test_no_feet_give_empty_arrays(schema):
    result = measure_feet(np.empty((0, len(schema), 2)), np.empty((0, len(schema), 2, 2)), schema)
    assert [array.value.shape for array in result.values()] == [(0,)] * len(MEASURES)


def test_many_feet_give_what_each_alone_gives(golden_foot, schema, random_covariance):
    """More feet than one block holds, checked at both sides of the border between blocks."""
    rng = np.random.default_rng(2)
    count = propagate._BLOCK + 3
    feet = golden_only(golden_foot) + rng.normal(0, 1.0, (count, len(schema), 2))
    covariance = random_covariance(rng, count, len(schema))
    together = measure_feet(feet, covariance, schema)
    for i in (0, propagate._BLOCK - 1, propagate._BLOCK, count - 1):
        alone = measure_feet(feet[i : i + 1], covariance[i : i + 1], schema)
        for name in NAMES:
            assert together[name].value[i] == pytest.approx(alone[name].value[0], abs=1e-12)
            assert together[name].sd[i] == pytest.approx(alone[name].sd[0], rel=1e-9)


def test_input_is_left_as_it_was(golden_foot, schema, random_covariance):
    feet, covariance = golden_only(golden_foot), random_covariance(np.random.default_rng(3), 1, len(schema))
    before = feet.copy(), covariance.copy()
    measure_feet(feet, covariance, schema)
    np.testing.assert_array_equal(feet, before[0])
    np.testing.assert_array_equal(covariance, before[1])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"points": np.zeros((2, 3, 2))}, r"points must have shape \(N, \d+, 2\), not \(2, 3, 2\)"),
        ({"covariance": np.zeros((2, 2, 2))}, "covariance must have shape"),
        ({"visible": np.ones(3, dtype=bool)}, "visible must have shape"),
        ({"level": 1.0}, "level must lie between 0 and 1"),
        ({"level": 90}, "level must lie between 0 and 1"),
        ({"inflation": {"hav": 1.2}}, "inflation names no measure: hav"),
        ({"inflation": {"hva": 0.0}}, "inflation must be positive"),
        ({"inflation": {"hva": float("nan")}}, "inflation must be positive"),
    ],
)
def test_misuse_is_a_clear_error(change, message, golden_foot, schema):
    given = {
        "points": golden_only(golden_foot),
        "covariance": np.zeros((1, len(schema), 2, 2)),
        "schema": schema,
    }
    with pytest.raises(ValueError, match=message):
        measure_feet(**(given | change))


def test_a_schema_without_the_landmarks_is_a_clear_error():
    with pytest.raises(ValueError, match="hva needs landmark 'M1p_med'"):
        measure_values(np.zeros((1, 1, 2)), LandmarkSchema(("M2_tip",), ("metatarsal_2",)))

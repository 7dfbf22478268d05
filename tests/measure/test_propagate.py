"""Intervals against simulation, and what happens to feet that cannot be measured."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from raysplay.measure import MEASURES, LandmarkSchema, axes, bone_correlation, by_name, propagate
from raysplay.measure import measure_feet as measure_feet_with
from raysplay.measure import measure_values as measure_values_with

NAMES = [measure.name for measure in MEASURES]
measure_feet = partial(measure_feet_with, millimetres=True)
measure_values = partial(measure_values_with, millimetres=True)

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
def test_propagation_agrees_with_simulation(correlated, whole_foot, schema, random_covariance):
    """Linear propagation against 40,000 noisy copies of one foot (common practice, no source)."""
    rng = np.random.default_rng(5)
    size = 2 * len(schema)
    foot = whole_foot.copy()
    foot[0, schema.index("PP_art_lat"), 0] += 3.0  # clear of the place where the overlap's end changes hands
    full = np.zeros((size, size))
    for i, block in enumerate(random_covariance(rng, 1, len(schema))[0]):
        full[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = block
    given = np.stack([full[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(len(schema))])[None]
    if correlated:
        mixing = rng.normal(0.0, 0.03, (size, size))
        full = full + mixing @ mixing.T
        given = full[None]
    result = measure_feet(foot, given, schema)
    noise = rng.standard_normal((40_000, size)) @ np.linalg.cholesky(full).T
    simulated = measure_values(foot + noise.reshape(-1, len(schema), 2), schema)
    for name in NAMES:
        assert result[name].sd[0] == pytest.approx(simulated[name].std(), rel=0.02), name


@pytest.mark.parametrize("level", [0.5, 0.90])
@pytest.mark.parametrize("which", ["whole_foot", "adducted_foot"])
def test_nominal_interval_holds_the_truth(level, which, request, schema, random_covariance):
    """Coverage within two points of nominal (88 to 92 % for 90 %) under the noise that is assumed."""
    rng = np.random.default_rng(8)
    feet = 15_000
    truth = request.getfixturevalue(which) + rng.normal(0.0, 1.5, (feet, len(schema), 2))
    covariance = random_covariance(rng, feet, len(schema))
    exact = measure_values(truth, schema)
    read = measure_feet(noisy(rng, truth, covariance), covariance, schema, level=level)
    for name in NAMES:
        held = np.mean((read[name].low <= exact[name]) & (exact[name] <= read[name].high))
        # Near the place where the end of the overlap changes hands the index varies less than either branch says.
        above = 0.05 if name == "congruency_index" and level == 0.5 else 0.02
        assert level - 0.02 <= held <= level + above, (name, held)


@pytest.mark.parametrize("correlation", [0.4, 0.9])
def test_correlation_within_a_bone_is_carried(correlation, whole_foot, schema, random_covariance):
    """Coverage under correlated noise, and that leaving the correlation out would miss it."""
    rng = np.random.default_rng(9)
    foot = whole_foot.copy()
    foot[0, schema.index("PP_art_lat"), 0] += 3.0
    own = random_covariance(rng, 1, len(schema))
    full = bone_correlation(own, schema, correlation)
    root = np.linalg.cholesky(full[0] + 1e-12 * np.eye(2 * len(schema)))
    noise = (rng.standard_normal((15_000, 2 * len(schema))) @ root.T).reshape(-1, len(schema), 2)
    exact, simulated = measure_values(foot, schema), measure_values(foot + noise, schema)
    carried, dropped = (measure_feet(foot, one, schema) for one in (full, own))
    for name in NAMES:
        half = (carried[name].high - carried[name].low)[0] / 2.0
        held = np.mean(np.abs(simulated[name] - exact[name]) <= half)
        assert 0.88 <= held <= 0.92, (name, held)
    for name in ("hva", "ima", "ima45"):  # errors that go together cancel in an axis
        assert carried[name].sd[0] < (1.0 - correlation / 3.0) * dropped[name].sd[0]


def test_blocks_of_the_larger_covariance_are_the_smaller_one(whole_foot, schema, random_covariance):
    covariance = random_covariance(np.random.default_rng(1), 1, len(schema))
    full = np.zeros((1, len(schema), 2, len(schema), 2))
    for i in range(len(schema)):
        full[:, i, :, i, :] = covariance[:, i]
    full = full.reshape(1, 2 * len(schema), 2 * len(schema))
    for name in NAMES:
        small = measure_feet(whole_foot, covariance, schema)[name]
        large = measure_feet(whole_foot, full, schema)[name]
        assert large.sd[0] == pytest.approx(small.sd[0], rel=1e-9)


def test_points_that_move_together_do_not_turn_an_axis(whole_foot, schema):
    """Error shared by all points of a bone shifts it and leaves every angle between bones as it is."""
    same_bone = np.equal.outer(np.array(schema.bones), np.array(schema.bones)).astype(float)
    full = np.kron(same_bone, np.eye(2))[None]
    alone = np.broadcast_to(np.eye(2), (1, len(schema), 2, 2))
    shared = measure_feet(whole_foot, full, schema)
    tarsal = {"maa_mc5", "maa_mc4"}  # its line joins different bones
    angles = {m.name for m in MEASURES if m.unit == "deg" and m.name not in tarsal}
    for name, independent in measure_feet(whole_foot, alone, schema).items():
        if name in angles:
            assert shared[name].sd[0] == pytest.approx(0.0, abs=1e-3), name
            assert independent.sd[0] > 1.0, name
        elif name in tarsal:
            assert shared[name].sd[0] > 0.5, name


def test_interval_is_symmetric_at_the_normal_quantile(whole_foot, schema):
    """1.6449 is the 95 % point of the standard normal distribution (any statistical table)."""
    covariance = np.broadcast_to(0.04 * np.eye(2), (1, len(schema), 2, 2))
    for array in measure_feet(whole_foot, covariance, schema, level=0.90).values():
        assert (array.high - array.value)[0] == pytest.approx(1.6449 * array.sd[0], rel=1e-4)
        assert (array.value - array.low)[0] == pytest.approx(1.6449 * array.sd[0], rel=1e-4)


def test_inflation_widens_only_the_measure_it_names(whole_foot, schema):
    covariance = np.broadcast_to(0.04 * np.eye(2), (1, len(schema), 2, 2))
    plain = measure_feet(whole_foot, covariance, schema)
    wide = measure_feet(whole_foot, covariance, schema, inflation={"hva": 1.5})
    for name in NAMES:
        factor = 1.5 if name == "hva" else 1.0
        assert wide[name].sd[0] == pytest.approx(factor * plain[name].sd[0])
        assert wide[name].value[0] == plain[name].value[0]
        assert wide[name].high[0] - wide[name].low[0] == pytest.approx(
            factor * (plain[name].high[0] - plain[name].low[0])
        )


def test_exact_landmarks_give_an_interval_of_no_width(whole_foot, schema):
    result = measure_feet(whole_foot, np.zeros((1, len(schema), 2, 2)), schema)
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
def test_a_bad_landmark_withholds_its_measures_on_its_foot_only(break_it, code, form, whole_foot, schema):
    feet = np.repeat(whole_foot, 3, axis=0)
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
def test_an_axis_without_length_is_withheld(offset, whole_foot, schema):
    feet = np.repeat(whole_foot, 2, axis=0) + offset
    for cortex in ("med", "lat"):
        feet[0, schema.index(f"PPd_{cortex}")] = feet[0, schema.index(f"PPp_{cortex}")]
    covariance = np.broadcast_to(0.04 * np.eye(2), (2, len(schema), 2, 2))
    result = measure_feet(feet, covariance, schema)
    for name in NAMES:
        lost = axes.axis("PP") in by_name(name).vectors
        assert lost == (name in {"hva", "hia", "ppaa"})
        assert np.isnan(result[name].value[0]) == lost
        assert np.isnan(result[name].low[0]) == lost
        assert np.isfinite(result[name].high[1])


def test_all_landmarks_in_one_place_give_nothing(schema):
    result = measure_feet(np.ones((1, len(schema), 2)), np.zeros((1, len(schema), 2, 2)), schema)
    assert all(np.isnan(array.value[0]) and np.isnan(array.sd[0]) for array in result.values())


def test_no_feet_give_empty_arrays(schema):
    result = measure_feet(np.empty((0, len(schema), 2)), np.empty((0, len(schema), 2, 2)), schema)
    assert [array.value.shape for array in result.values()] == [(0,)] * len(MEASURES)


def test_many_feet_give_what_each_alone_gives(whole_foot, schema, random_covariance):
    """More feet than one block holds, checked at both sides of the border between blocks."""
    rng = np.random.default_rng(2)
    count = propagate._BLOCK + 3
    feet = whole_foot + rng.normal(0, 1.0, (count, len(schema), 2))
    covariance = random_covariance(rng, count, len(schema))
    together = measure_feet(feet, covariance, schema)
    for i in (0, propagate._BLOCK - 1, propagate._BLOCK, count - 1):
        alone = measure_feet(feet[i : i + 1], covariance[i : i + 1], schema)
        for name in NAMES:
            assert together[name].value[i] == pytest.approx(alone[name].value[0], abs=1e-12)
            assert together[name].sd[i] == pytest.approx(alone[name].sd[0], rel=1e-9)


def test_input_is_left_as_it_was(whole_foot, schema, random_covariance):
    feet, covariance = whole_foot, random_covariance(np.random.default_rng(3), 1, len(schema))
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
        ({"millimetres": [True, True]}, "millimetres must be one bool or one for each of the 1 feet"),
        ({"measures": [by_name("ima"), by_name("ima", "head_base")]}, "two measures share a name"),
    ],
)
def test_misuse_is_a_clear_error(change, message, whole_foot, schema):
    given = {
        "points": whole_foot,
        "covariance": np.zeros((1, len(schema), 2, 2)),
        "schema": schema,
    }
    with pytest.raises(ValueError, match=message):
        measure_feet(**(given | change))


def test_a_schema_without_the_landmarks_withholds():
    """Measures wait for landmarks that the list does not hold; nothing is guessed for them."""
    schema = LandmarkSchema(("M2_tip",), ("metatarsal_2",))
    values = measure_values(np.zeros((3, 1, 2)), schema)
    read = measure_feet(np.zeros((3, 1, 2)), np.zeros((3, 1, 2, 2)), schema)
    for name in NAMES:
        assert np.isnan(values[name]).tolist() == [True] * 3
        assert np.isnan(read[name].sd).tolist() == [True] * 3


def test_lengths_in_millimetres_only_where_they_are_millimetres(whole_foot, schema):
    feet = np.repeat(whole_foot, 2, axis=0)
    covariance = np.broadcast_to(0.04 * np.eye(2), (2, len(schema), 2, 2))
    for given, expected in ((False, [True, True]), (True, [False, False]), ([False, True], [True, False])):
        read = measure_feet_with(feet, covariance, schema, millimetres=given)
        values = measure_values_with(feet, schema, millimetres=given)
        for measure in MEASURES:
            withheld = expected if measure.unit == "mm" else [False, False]
            assert np.isnan(values[measure.name]).tolist() == withheld
            for end in ("value", "sd", "low", "high"):
                assert np.isnan(getattr(read[measure.name], end)).tolist() == withheld
    assert np.isnan(measure_values_with(feet, schema)["eminence_width"]).all()


def test_bounds_clip_value_and_interval_but_not_the_spread(whole_foot, schema):
    """A sesamoid that lies wholly lateral: share 1, of which the interval cannot have more."""
    foot = whole_foot.copy()
    for code in ("SES_T_med", "SES_T_c", "SES_T_lat"):
        foot[0, schema.index(code)] += 5.6, 1.4
    covariance = np.broadcast_to(0.25 * np.eye(2), (1, len(schema), 2, 2))
    read = measure_feet(foot, covariance, schema)
    share, place = read["tsp"], read["tsp_offset"]
    assert place.value[0] > 0.5 > place.low[0]
    assert share.value[0] == share.high[0] == 1.0
    assert share.low[0] == pytest.approx(place.low[0] + 0.5)
    assert share.sd[0] == pytest.approx(place.sd[0])


def test_every_number_carries_its_construction(whole_foot, schema):
    measures = [by_name("hva", "head_base"), by_name("ima"), by_name("eminence_width")]
    read = measure_feet(whole_foot, np.zeros((1, len(schema), 2, 2)), schema, measures=measures)
    told = [(a.measure, a.construction, a.unit) for a in read.values()]
    assert told == [("hva", "head_base", "deg"), ("ima", "shaft", "deg"), ("eminence_width", "direct", "mm")]


def test_exact_derivatives_agree_with_differences(whole_foot, schema):
    """The closed form for angles against the central differences that serve the other measures."""
    covariance = np.broadcast_to(0.04 * np.eye(2), (1, len(schema), 2, 2))
    exact = [measure for measure in MEASURES if measure.gradient is not None]
    assert len(exact) >= 15
    by_differences = [replace(measure, gradient=None) for measure in exact]
    one = measure_feet(whole_foot, covariance, schema, measures=exact)
    other = measure_feet(whole_foot, covariance, schema, measures=by_differences)
    for measure in exact:
        assert one[measure.name].sd[0] == pytest.approx(other[measure.name].sd[0], rel=1e-7)


def test_a_factor_for_a_measure_that_is_not_asked_for_does_no_harm(whole_foot, schema):
    """One calibration serves every protocol."""
    covariance = np.broadcast_to(0.04 * np.eye(2), (1, len(schema), 2, 2))
    asked = {"measures": [by_name("ima")]}
    plain = measure_feet(whole_foot, covariance, schema, **asked)["ima"]
    assert measure_feet(whole_foot, covariance, schema, inflation={"hva": 2.0}, **asked)["ima"].sd == plain.sd


def test_the_part_of_a_bones_shape_does_not_shrink(golden_foot, schema):
    """Independent errors add in quadrature (Gaussian error propagation): with sure landmarks the part alone is left."""
    covariance = np.broadcast_to(0.3**2 * np.eye(2), (1, len(schema), 2, 2))
    plain, with_shape, sure = (
        measure_feet(golden_foot, spread, schema, inflation={"ima": 2.0}, shape_sd=part)["ima"]
        for spread, part in ((covariance, None), (covariance, {"ima": 0.2}), (1e-12 * covariance, {"ima": 0.2}))
    )
    assert with_shape.sd[0] ** 2 == pytest.approx(plain.sd[0] ** 2 + 0.2**2)
    assert sure.sd[0] == pytest.approx(0.2, rel=1e-4)
    with pytest.raises(ValueError, match="shape_sd names no measure: imo"):
        measure_feet(golden_foot, covariance, schema, shape_sd={"imo": 0.2})
    with pytest.raises(ValueError, match="shape_sd must be positive"):
        measure_feet(golden_foot, covariance, schema, shape_sd={"ima": -0.2})

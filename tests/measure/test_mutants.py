"""The golden check fails as soon as a sign, a side, a unit or an interval is flipped.

Each mutant replaces one function, or one vector of one measure, by a wrong one; the same check passes without it.
"""

from dataclasses import replace

import numpy as np
import pytest

from raysplay.measure import MEASURES, axes, by_name, definition, frame, geometry, metatarsus_adductus, propagate

ROW_MM, COLUMN_MM = 0.2, 0.1

# Section 8.5 of the project's fact sheet, tag D.
GOLDEN = {"hva": 31.995, "ima": 13.995, "hia": 6.002, "dmaa": 11.972, "ppaa": 4.997, "mtp1_joint": 15.025}
GOLDEN |= {"ima45": 7.991, "mtp5": -14.977}

# Lengths and shares of the reference foot, worked out by hand from its coordinates: the second metatarsal's axis is
# x = 0 and points to +y, so that widths are differences of x and projections differences of y (common practice, no
# source). Sesamoid: centre 0.63 mm lateral of the axis, 10.9 mm wide.
BY_HAND = {
    "forefoot_width": 48.6 + 42.6,
    "forefoot_width_ratio": (48.6 + 42.6) / np.hypot(0.4, 75.0),
    "forefoot_width_direct": np.hypot(48.6 + 42.6, 47.5 - 55.5),
    "head_distance_12": 29.33,
    "m1_protrusion_line": 67.6 - 75.0,
    "step_23": 75.0 - 71.0,
    "step_34": 71.0 - 64.0,
    "step_45": 64.0 - 54.5,
    "sm4_distance": 58.6 - (56.1 + 58.2) / 2,
    "base_distance_12": 11.4 - 4.5,
    "intercuneiform_gap": 9.0 - 5.0,
    # From (-29.33, 57.67) to (-31.2, 68.2); the head's point lies 0.7 mm lateral of its end and 3.7 mm short of it.
    "mtp1_space": (1.87 * 0.7 + 10.53 * 3.7) / np.hypot(1.87, 10.53),
    # Talar head: 24 mm across and 2.5 mm up, its perpendicular leans atan(2.5 / 24) medially; navicular 29.5 and 1.6.
    "tn_coverage": np.degrees(np.arctan2(2.5, 24.0) - np.arctan2(1.6, 29.5)),
    # Talus from (-7.5, -58) to (-8, -43.25), the first metatarsal leans 13.995 degrees medially (section 8.5).
    "talo_m1": np.degrees(np.arctan2(0.5, 14.75)) - 13.995,
    "m1_base_obliquity": 13.995 - np.degrees(np.arctan2(1.6, 14.1)),
    "m1_m2_length": np.hypot(14.0, 65.6) / np.hypot(0.4, 75.0),
}


def check(points, schema):
    """A left foot on a film with oblong pixels, read back to the golden values and known spreads."""
    film = points * [-1 / COLUMN_MM, -1 / ROW_MM] + [700.0, 900.0]
    covariance = np.broadcast_to(np.diag([0.5 / COLUMN_MM, 0.5 / ROW_MM]) ** 2, (1, len(schema), 2, 2))
    located, spread = frame.to_foot_frame(film, covariance, ["L"], row_mm=ROW_MM, column_mm=COLUMN_MM)
    result = propagate.measure_feet(located, spread, schema, millimetres=True, measures=MEASURES)
    for name, angle in GOLDEN.items():
        np.testing.assert_allclose(result[name].value, angle, atol=0.01, err_msg=name)
    for name, number in BY_HAND.items():
        np.testing.assert_allclose(result[name].value, number, atol=0.001, err_msg=name)
    # midpoints known to 0.5 / sqrt(2) mm, axes of 30 and 40 mm: the formula of the fact sheet, section 3.3
    expected = np.degrees(0.5 * np.hypot(1 / 30, 1 / 40))
    np.testing.assert_allclose(result["ima"].sd, expected, rtol=0.001)
    np.testing.assert_allclose(result["ima"].high - result["ima"].low, 2 * 1.6449 * expected, rtol=0.001)
    # two points known to 0.5 mm each, and one point against an axis that two midpoints fix 20 mm away from it
    np.testing.assert_allclose(result["forefoot_width_direct"].sd, 0.5 * np.sqrt(2.0), rtol=0.001)
    lever = (57.67 - 20.0) / 40.0
    along = np.hypot(lever, 1.0 - lever) / np.sqrt(2.0)
    np.testing.assert_allclose(result["head_distance_12"].sd, 0.5 * np.sqrt(1.0 + along**2), rtol=0.001)


def inside(module, name, wrong):
    return lambda monkeypatch: monkeypatch.setattr(module, name, wrong)


def without(argument, value):
    """The change of frame with one argument held at a wrong value."""
    right = frame.to_foot_frame

    def wrong(points, covariance, side, **spacing):
        given = {"points": points, "covariance": covariance, "side": side, **spacing}
        return right(**(given | {argument: value}))

    return wrong


def rows_and_columns_exchanged(points, covariance, side, *, row_mm, column_mm):
    return RIGHT_FRAME(points, covariance, side, row_mm=column_mm, column_mm=row_mm)


def rows_downward(points, covariance, side, **spacing):
    points, covariance = RIGHT_FRAME(points, covariance, side, **spacing)
    return points * [1.0, -1.0], covariance


def covariance_in_pixels(points, covariance, side, **spacing):
    return RIGHT_FRAME(points, None, side, **spacing)[0], covariance


def no_spacing(points, covariance, side, **spacing):
    return RIGHT_FRAME(points, covariance, side)


RIGHT_FRAME, RIGHT_ANG, RIGHT_NORMAL = frame.to_foot_frame, geometry.ang, geometry.distal_normal
RIGHT_VARIANCE, RIGHT_GRADIENT = propagate._Spreads.variance, propagate._Feet.gradient
RIGHT_SUM = axes._sum
MUTANTS = {
    "angle from the second axis to the first": inside(definition, "ang", lambda v, w: RIGHT_ANG(w, v)),
    "radians": inside(definition, "ang", lambda v, w: np.radians(RIGHT_ANG(v, w))),
    "axes toward the heel, one of two": inside(definition, "ang", lambda v, w: RIGHT_ANG(-v, w)),
    "perpendicular for the axis": inside(definition, "ang", lambda v, w: RIGHT_ANG(v, geometry.lateral_normal(w))),
    "unsigned angle": inside(definition, "ang", lambda v, w: np.abs(RIGHT_ANG(v, w))),
    "surfaces facing the heel": inside(definition, "distal_normal", lambda t: -RIGHT_NORMAL(t)),
    "weights of landmarks all one": inside(
        axes, "_sum", lambda weights, at: RIGHT_SUM(tuple((c, np.sign(w)) for c, w in weights), at)
    ),
    "left foot not mirrored": inside(frame, "to_foot_frame", without("side", ["R"])),
    "rows left running down": inside(frame, "to_foot_frame", rows_downward),
    "rows and columns exchanged": inside(frame, "to_foot_frame", rows_and_columns_exchanged),
    "spacing left out": inside(frame, "to_foot_frame", no_spacing),
    "covariance left in pixels": inside(frame, "to_foot_frame", covariance_in_pixels),
    "variance for standard deviation": inside(
        propagate._Spreads, "variance", lambda self, m, g: RIGHT_VARIANCE(self, m, g) ** 2
    ),
    "one derivative too large": inside(
        propagate._Feet, "gradient", lambda self, m: [2.0 * slope for slope in RIGHT_GRADIENT(self, m)]
    ),
    "error of the first vector only": inside(
        propagate._Feet,
        "gradient",
        lambda self, m: [(k == 0) * slope for k, slope in enumerate(RIGHT_GRADIENT(self, m))],
    ),
}


def with_measure(name, wrong):
    """One measure replaced in the registry that the check reads."""
    measures = tuple(wrong if measure.name == name else measure for measure in MEASURES)
    return lambda monkeypatch: monkeypatch.setitem(globals(), "MEASURES", measures)


def reversed_vectors():
    for name in (*GOLDEN, *BY_HAND):
        measure = by_name(name)
        for k, vector in enumerate(measure.vectors):
            if (
                name.startswith("m1_m2_length")
                or name in ("forefoot_width_direct", "mtp1_space")
                or vector.name.startswith("length")
            ):
                continue  # a length has no sense
            wrong = replace(vector, start=vector.end, end=vector.start)
            vectors = (*measure.vectors[:k], wrong, *measure.vectors[k + 1 :])
            yield f"{name}: {vector.name} reversed", with_measure(name, replace(measure, vectors=vectors))


def flipped_signs():
    for name in (*GOLDEN, *BY_HAND):
        measure = by_name(name)

        def wrong(*vectors, right=measure.function):
            return -right(*vectors)

        yield f"{name} with its sign flipped", with_measure(name, replace(measure, function=wrong))


MUTANTS |= dict(reversed_vectors()) | dict(flipped_signs())


def test_the_check_passes_on_the_package_as_it_is(whole_foot, schema):
    check(whole_foot, schema)


@pytest.mark.parametrize("mutate", MUTANTS.values(), ids=MUTANTS)
def test_the_check_fails_on_each_mutant(mutate, monkeypatch, whole_foot, schema):
    mutate(monkeypatch)
    with pytest.raises(AssertionError):
        check(whole_foot, schema)


def test_a_one_sided_quantile_fails(monkeypatch, whole_foot, schema):
    class OneSided(propagate.NormalDist):
        def inv_cdf(self, p):
            return super().inv_cdf(2 * p - 1)

    monkeypatch.setattr(propagate, "NormalDist", OneSided)
    with pytest.raises(AssertionError):
        check(whole_foot, schema)


def test_adjustment_the_wrong_way_fails(monkeypatch):
    """Section 1.3, tag D: IMA 10 with an adduction of 22 is 17."""
    assert metatarsus_adductus.adjusted_intermetatarsal_angle(10.0, 22.0) == 17.0
    monkeypatch.setattr(metatarsus_adductus, "NORMAL_ADDUCTION", -15.0)
    assert metatarsus_adductus.adjusted_intermetatarsal_angle(10.0, 22.0) != 17.0

"""The golden check fails as soon as a sign, a side, a unit or an interval is flipped.

Each mutant replaces one function of the package by a wrong one; the same check passes without it.
"""

import numpy as np
import pytest

from raysplay.measure import (
    axes,
    frame,
    geometry,
    hallux_interphalangeal_angle,
    hallux_valgus_angle,
    intermetatarsal_angle,
    intermetatarsal_angle_4_5,
    propagate,
)

FILES = {
    "hva": hallux_valgus_angle,
    "ima": intermetatarsal_angle,
    "hia": hallux_interphalangeal_angle,
    "ima45": intermetatarsal_angle_4_5,
}
ROW_MM, COLUMN_MM = 0.2, 0.1


def check(golden, golden_foot, schema):
    """A left foot on a film with oblong pixels, read back to the golden angles and known spreads."""
    film = np.nan_to_num(golden_foot) * [-1 / COLUMN_MM, -1 / ROW_MM] + [700.0, 900.0]
    covariance = np.broadcast_to(np.diag([0.5 / COLUMN_MM, 0.5 / ROW_MM]) ** 2, (1, len(schema), 2, 2))
    points, spread = frame.to_foot_frame(film, covariance, ["L"], row_mm=ROW_MM, column_mm=COLUMN_MM)
    result = propagate.measure_feet(points, spread, schema)
    for name, angle in golden["angles"].items():
        np.testing.assert_allclose(result[name].value, angle, atol=0.01, err_msg=name)
    # midpoints known to 0.5 / sqrt(2) mm, axes of 30 and 40 mm: the formula of the fact sheet, section 3.3
    expected = np.degrees(0.5 * np.hypot(1 / 30, 1 / 40))
    np.testing.assert_allclose(result["ima"].sd, expected, rtol=0.001)
    np.testing.assert_allclose(result["ima"].high - result["ima"].low, 2 * 1.6449 * expected, rtol=0.001)


def everywhere(name, wrong):
    """Replace a function in every measure that uses it."""

    def apply(monkeypatch):
        users = [module for module in FILES.values() if hasattr(module, name)]
        assert users
        for module in users:
            monkeypatch.setattr(module, name, wrong)

    return apply


def inside(module, name, wrong):
    return lambda monkeypatch: monkeypatch.setattr(module, name, wrong)


def one_cortex(landmarks, bone):
    return landmarks[f"{bone}d_med"] - landmarks[f"{bone}p_med"]


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


RIGHT_FRAME = frame.to_foot_frame
MUTANTS = {
    "angle from the second axis to the first": everywhere("ang", lambda v, w: geometry.ang(w, v)),
    "radians": everywhere("ang", lambda v, w: np.radians(geometry.ang(v, w))),
    "axes toward the heel, one of two": everywhere("ang", lambda v, w: geometry.ang(-v, w)),
    "perpendicular for the axis": everywhere("ang", lambda v, w: geometry.ang(v, geometry.lateral_normal(w))),
    "one cortex for the shaft": everywhere("shaft", one_cortex),
    "distal phalanx from tip to base": everywhere("distal_phalanx", lambda p: -axes.distal_phalanx(p)),
    "left foot not mirrored": inside(frame, "to_foot_frame", without("side", ["R"])),
    "rows left running down": inside(frame, "to_foot_frame", rows_downward),
    "rows and columns exchanged": inside(frame, "to_foot_frame", rows_and_columns_exchanged),
    "spacing left out": inside(frame, "to_foot_frame", no_spacing),
    "covariance left in pixels": inside(frame, "to_foot_frame", covariance_in_pixels),
    "variance for standard deviation": inside(
        propagate, "_variance", lambda j, s, i, right=propagate._variance: right(j, s, i) ** 2
    ),
    "one derivative too large": inside(
        propagate, "_jacobian", lambda m, g, right=propagate._jacobian: 2.0 * right(m, g)
    ),
}
MUTANTS |= {
    f"{name} with its sign flipped": inside(module, "ang", lambda v, w: -geometry.ang(v, w))
    for name, module in FILES.items()
}


def test_the_check_passes_on_the_package_as_it_is(golden, golden_foot, schema):
    check(golden, golden_foot, schema)


@pytest.mark.parametrize("mutate", MUTANTS.values(), ids=MUTANTS)
def test_the_check_fails_on_each_mutant(mutate, monkeypatch, golden, golden_foot, schema):
    mutate(monkeypatch)
    with pytest.raises(AssertionError):
        check(golden, golden_foot, schema)


def test_a_one_sided_quantile_fails(monkeypatch, golden, golden_foot, schema):
    class OneSided(propagate.NormalDist):
        def inv_cdf(self, p):
            return super().inv_cdf(2 * p - 1)

    monkeypatch.setattr(propagate, "NormalDist", OneSided)
    with pytest.raises(AssertionError):
        check(golden, golden_foot, schema)


def test_an_unsigned_angle_fails_on_a_foot_in_varus(monkeypatch, golden_foot, schema):
    """The golden foot is positive throughout, so the lost sign shows on its mirror image only."""
    varus = np.nan_to_num(golden_foot) * [-1.0, 1.0]
    signed = propagate.measure_values(varus, schema)
    assert all(value[0] < -5.0 for value in signed.values())
    everywhere("ang", lambda v, w: abs(geometry.ang(v, w)))(monkeypatch)
    assert all(value[0] > 5.0 for value in propagate.measure_values(varus, schema).values())

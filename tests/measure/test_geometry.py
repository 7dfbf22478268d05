"""Signs of the right-foot frame (project's fact sheet, frame and sign) and the way into it."""

import numpy as np
import pytest

from raysplay.measure import ang, distal_normal, lateral_normal, to_foot_frame

DISTAL, LATERAL = np.array([0.0, 1.0]), np.array([1.0, 0.0])


@pytest.mark.parametrize("degrees", [-179.0, -90.0, -10.0, 0.0, 10.0, 45.0, 90.0, 179.0])
def test_positive_is_lateral(degrees):
    t = np.radians(degrees)
    assert ang(DISTAL, [np.sin(t), np.cos(t)]) == pytest.approx(degrees)
    assert ang([np.sin(t), np.cos(t)], DISTAL) == pytest.approx(-degrees)


def test_perpendiculars():
    assert ang(DISTAL, LATERAL) == 90.0
    np.testing.assert_array_equal(lateral_normal(DISTAL), LATERAL)
    np.testing.assert_array_equal(distal_normal(LATERAL), DISTAL)


def test_leading_axes_broadcast():
    v = np.random.default_rng(0).normal(size=(4, 3, 2))
    assert ang(v, DISTAL).shape == (4, 3)
    assert ang(v, DISTAL)[2, 1] == ang(v[2, 1], DISTAL)
    assert distal_normal(v).shape == lateral_normal(v).shape == v.shape


def test_a_direction_without_length_has_no_angle():
    assert np.isnan(ang([0.0, 0.0], DISTAL))
    assert np.isnan(ang([[0.0, 1.0], [np.nan, 1.0]], DISTAL)).tolist() == [False, True]


@pytest.mark.parametrize("full", [False, True])
def test_covariance_follows_its_points(full):
    """Covariance of simulated points after the change of frame (common practice, no source)."""
    rng = np.random.default_rng(4)
    mixing = rng.normal(size=(2, 6, 6))
    covariance = mixing @ mixing.swapaxes(-1, -2)
    mean = rng.normal(size=(2, 3, 2)) * 100
    draws = np.stack(
        [rng.multivariate_normal(mean[i].ravel(), covariance[i], 60_000).reshape(-1, 3, 2) for i in range(2)]
    )
    given = covariance
    if not full:
        given = np.stack([covariance[:, 2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(3)], axis=1)
    _, moved = to_foot_frame(mean, given, ["L", "R"], row_mm=[0.2, 0.3], column_mm=0.1)
    for foot, (side, row) in enumerate([("L", 0.2), ("R", 0.3)]):
        points, _ = to_foot_frame(draws[foot], None, [side] * 60_000, row_mm=row, column_mm=0.1)
        simulated = np.cov(points.reshape(-1, 6).T)
        if full:
            np.testing.assert_allclose(moved[foot], simulated, atol=0.03 * np.abs(simulated).max())
        else:
            for i in range(3):
                block = simulated[2 * i : 2 * i + 2, 2 * i : 2 * i + 2]
                np.testing.assert_allclose(moved[foot, i], block, atol=0.03 * np.abs(block).max())


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"points": np.zeros((2, 2))}, "points must have shape"),
        ({"side": ["R"]}, "one side for each of the 2 feet"),
        ({"side": "RR"}, "one side for each of the 2 feet"),
        ({"side": ["R", "B"]}, "side must be 'L' or 'R', not 'B'"),
        ({"row_mm": 0.1}, "together"),
        ({"row_mm": 0.1, "column_mm": 0.0}, "column_mm must be positive"),
        ({"row_mm": [0.1, 0.1, 0.1], "column_mm": 0.1}, "row_mm must be one number or one for each"),
        ({"aspect": float("nan")}, "aspect must be positive"),
        ({"covariance": np.zeros((2, 2, 2))}, "covariance must have shape"),
    ],
)
def test_misuse_is_a_clear_error(change, message):
    arguments = {"points": np.zeros((2, 3, 2)), "covariance": None, "side": ["R", "L"]} | change
    with pytest.raises(ValueError, match=message):
        to_foot_frame(**arguments)

"""Tilt of the tube, against the table of the project's fact sheet, section 5.1 (computed there, tag D)."""

import numpy as np
import pytest

from raysplay.measure import measure_values
from raysplay.measure.axes import axis

TILTS = [0.0, 10.0, 15.0, 20.0, 25.0]
# (bearing, inclination) of the first and second metatarsal, then IMA at each tilt. Case b of the table is
# left out, since the sheet does not print its bearings and inclinations.
CASES = {
    "a": ((-14.0, 20.0), (0.0, 16.0), [14.0, 13.2, 12.8, 12.4, 12.0]),
    "c": ((-22.0, 15.0), (-6.0, 14.0), [16.0, 15.3, 14.9, 14.6, 14.2]),
}
HVA = [32.0, 31.2, 30.8, 30.4, 30.0]
LENGTH_FACTOR = [0.940, 1.000, 1.031, 1.064, 1.099]


def cylinder_landmarks(bone, base, bearing, inclination, length):
    """Cortex pairs in three dimensions (lateral, distal, up); the distal end is down by the inclination."""
    a, d = np.radians([bearing, inclination])
    axis = np.array([np.sin(a) * np.cos(d), np.cos(a) * np.cos(d), -np.sin(d)])
    across = np.array([np.cos(a), -np.sin(a), 0.0])
    return {
        f"{bone}{level}_{cortex}": base + part * length * axis + sign * 5.0 * across
        for level, part in (("p", 0.3), ("d", 0.7))
        for cortex, sign in (("med", -1.0), ("lat", 1.0))
    }


def on_floor(points, tilt):
    """Parallel rays that run down and toward the heel, traced to the floor: y - z tan(tilt)."""
    return {code: np.array([x, y - z * np.tan(np.radians(tilt))]) for code, (x, y, z) in points.items()}


def measured(first, second, phalanx, tilt, schema):
    points = {
        **cylinder_landmarks("M1", np.array([-17.0, 2.0, 30.0]), *first, 60.0),
        **cylinder_landmarks("M2", np.array([0.0, 0.0, 35.0]), *second, 72.0),
        **cylinder_landmarks("PP", np.array([-32.0, 66.0, 8.0]), *phalanx, 28.0),
    }
    foot = np.full((1, len(schema), 2), np.nan)
    for code, xy in on_floor(points, tilt).items():
        foot[0, schema.index(code)] = xy
    return {name: float(value[0]) for name, value in measure_values(foot, schema).items()}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("column", range(len(TILTS)))
def test_tilt_moves_ima_as_tabled(case, column, schema):
    first, second, row = CASES[case]
    ima = measured(first, second, (18.0, 0.0), TILTS[column], schema)["ima"]
    assert ima == pytest.approx(row[column], abs=0.0501)


@pytest.mark.parametrize("column", range(len(TILTS)))
def test_tilt_moves_hva_as_tabled(column, schema):
    first, second, _ = CASES["a"]
    hva = measured(first, second, (18.0, 0.0), TILTS[column], schema)["hva"]
    assert hva == pytest.approx(HVA[column], abs=0.0501)


@pytest.mark.parametrize("column", range(len(TILTS)))
def test_tilt_stretches_the_first_metatarsal_as_tabled(column):
    points = on_floor(cylinder_landmarks("M1", np.zeros(3), 0.0, 20.0, 60.0), TILTS[column])
    factor = np.linalg.norm(axis("M1").of(points)) / (0.4 * 60.0)
    assert factor == pytest.approx(LENGTH_FACTOR[column], abs=0.000501)


@pytest.mark.parametrize("tilt", TILTS)
@pytest.mark.parametrize("bearing", [-30.0, -14.0, 5.0, 22.0])
@pytest.mark.parametrize("inclination", [0.0, 12.0, 25.0])
def test_apparent_bearing_follows_the_formula(tilt, bearing, inclination, schema):
    """tan a' = sin a / (cos a + tan d tan t), same section; a bone at bearing 0 stays there."""
    a, d, t = np.radians([bearing, inclination, tilt])
    expected = np.degrees(np.arctan2(np.sin(a), np.cos(a) + np.tan(d) * np.tan(t)))
    ima = measured((bearing, inclination), (0.0, 16.0), (0.0, 0.0), tilt, schema)["ima"]
    assert ima == pytest.approx(-expected, abs=1e-9)

"""Golden geometry of the project's fact sheet, section 8.5, in every way a film can show it."""

import numpy as np
import pytest

from raysplay.measure import MEASURES, measure_values, to_foot_frame

NAMES = [measure.name for measure in MEASURES]


@pytest.mark.parametrize("name", NAMES)
def test_golden_angles(name, golden, golden_foot, schema):
    assert measure_values(golden_foot, schema)[name][0] == pytest.approx(golden["angles"][name], abs=0.01)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("side", ["L", "R"])
@pytest.mark.parametrize("turn", [0.0, 90.0, 180.0, 217.0])
@pytest.mark.parametrize(("row_mm", "column_mm"), [(0.15, 0.15), (0.2, 0.1), (0.1, 0.175)])
def test_golden_angles_from_film_pixels(name, side, turn, row_mm, column_mm, golden, golden_foot, schema):
    """Rows run down and toes may point anywhere; a left foot is drawn as the mirror image.

    The way onto the film is written out here by hand: common practice, no source.
    """
    x, y = golden_foot[..., 0], golden_foot[..., 1]
    if side == "L":
        x = -x
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    right, up = c * x - s * y, s * x + c * y
    film = np.stack([1200.0 + right / column_mm, 1800.0 - up / row_mm], axis=-1)

    points, _ = to_foot_frame(film, None, [side], row_mm=row_mm, column_mm=column_mm)
    assert measure_values(points, schema)[name][0] == pytest.approx(golden["angles"][name], abs=0.01)
    points, _ = to_foot_frame(film, None, [side], aspect=row_mm / column_mm)
    assert measure_values(points, schema)[name][0] == pytest.approx(golden["angles"][name], abs=0.01)


@pytest.mark.parametrize("name", NAMES)
def test_wrong_side_is_the_negative_angle(name, golden, golden_foot, schema):
    """A side taken wrong must show, not vanish in an absolute value (facts: never unsigned)."""
    film = golden_foot * [1.0, -1.0]
    points, _ = to_foot_frame(film, None, ["L"])
    assert measure_values(points, schema)[name][0] == pytest.approx(-golden["angles"][name], abs=0.01)


def test_varus_and_converging_metatarsals_are_negative(golden_foot, schema):
    """Signs of the fact sheet's frame: an axis leaning medially of its reference gives a negative angle."""
    foot = golden_foot.copy()
    for code in ("PPd_med", "PPd_lat"):
        foot[0, schema.index(code), 0] -= 20.0  # tip of the great toe medially, past the first metatarsal
    for code in ("M1d_med", "M1d_lat"):
        foot[0, schema.index(code), 0] += 20.0
    values = measure_values(foot, schema)
    assert values["hva"][0] < -30.0
    assert values["ima"][0] < -10.0

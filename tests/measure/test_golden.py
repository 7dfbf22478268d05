"""Golden geometry of the project's fact sheet, section 8.5, in every way a film can show it."""

import numpy as np
import pytest

from raysplay.measure import ang, by_name, distal_normal, measure_values, to_foot_frame
from raysplay.measure.metatarsal_lengths import arc_difference, protrusion_by_arc, protrusion_by_line
from raysplay.measure.schema import LandmarkSchema

# Section 8.5, tag D (computed there, good to 0.001 from the rounded points): measure and construction -> degrees.
GOLDEN = {
    ("hva", "shaft"): 31.995,
    ("ima", "shaft"): 13.995,
    ("hva", "head_base"): 30.489,
    ("ima", "head_base"): 12.488,
    ("hia", "shaft"): 6.002,
    ("dmaa", "shaft"): 11.972,
    ("ppaa", "shaft"): 4.997,
    ("mtp1_joint", "direct"): 15.025,
    ("ima45", "shaft"): 7.991,
    ("mtp5", "shaft"): -14.977,
}
ALL = pytest.mark.parametrize(("name", "construction"), GOLDEN, ids=lambda word: word)


def value(name, construction, points, schema):
    return measure_values(points, schema, measures=[by_name(name, construction)])[name][0]


@ALL
def test_golden_angles(name, construction, golden_foot, schema):
    assert value(name, construction, golden_foot, schema) == pytest.approx(GOLDEN[name, construction], abs=0.0011)


def test_the_table_of_the_data_file_is_the_same(golden):
    assert {name: GOLDEN[name, "shaft"] for name in golden["angles"]} == golden["angles"]


@ALL
@pytest.mark.parametrize("side", ["L", "R"])
@pytest.mark.parametrize("turn", [0.0, 90.0, 217.0])
@pytest.mark.parametrize(("row_mm", "column_mm"), [(0.15, 0.15), (0.2, 0.1), (0.1, 0.175)])
def test_golden_angles_from_film_pixels(name, construction, side, turn, row_mm, column_mm, golden_foot, schema):
    """Rows run down and toes may point anywhere; a left foot is drawn as the mirror image.

    The way onto the film is written out here by hand: common practice, no source.
    """
    x, y = golden_foot[..., 0], golden_foot[..., 1]
    if side == "L":
        x = -x
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    right, up = c * x - s * y, s * x + c * y
    film = np.stack([1200.0 + right / column_mm, 1800.0 - up / row_mm], axis=-1)

    for spacing in ({"row_mm": row_mm, "column_mm": column_mm}, {"aspect": row_mm / column_mm}):
        points, _ = to_foot_frame(film, None, [side], **spacing)
        assert value(name, construction, points, schema) == pytest.approx(GOLDEN[name, construction], abs=0.01)


@ALL
def test_wrong_side_is_the_negative_angle(name, construction, golden_foot, schema):
    """A side taken wrong must show, not vanish in an absolute value (facts: never unsigned).

    A surface then faces the heel, so that an angle between an axis and one surface is off by a half turn besides.
    """
    points, _ = to_foot_frame(golden_foot * [1.0, -1.0], None, ["L"])
    half_turn = 180.0 if name in {"dmaa", "ppaa"} else 0.0
    wrong = half_turn - GOLDEN[name, construction]
    assert value(name, construction, points, schema) == pytest.approx(wrong, abs=0.01)


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


@pytest.mark.parametrize(
    ("direction", "fifth", "fourth"), [((-12.36, 38.04), 18.000, 15.663), ((0.0, 40.0), 0.000, -2.337)]
)
def test_metatarsus_adductus_cases(direction, fifth, fourth, golden_foot, schema):
    """Section 8.5: TN, C1, CC, L5, L4 with two directions of the second metatarsal."""
    foot = golden_foot.copy()
    places = {
        "TN_med": (-24, -48),
        "C1M1_med": (-24, 0),
        "CC_lat": (26, -38),
        "MC5_lat": (34, -10),
        "MC4_lat": (24, -6),
    }
    for code, place in places.items():
        foot[0, schema.index(code)] = place
    for cortex in ("med", "lat"):
        foot[0, schema.index(f"M2d_{cortex}")] = foot[0, schema.index(f"M2p_{cortex}")] + direction
    values = measure_values(foot, schema)
    assert values["maa_mc5"][0] == pytest.approx(fifth, abs=0.001)
    assert values["maa_mc4"][0] == pytest.approx(fourth, abs=0.001)


@pytest.mark.parametrize(
    ("tip", "arc", "line"), [((-30, 72.5), 1.269, -2.5), ((-30, 71.19), 0.000, -3.81), ((-30, 68), -3.086, -7.0)]
)
def test_protrusion_cases(tip, arc, line):
    """Section 8.5: C (0, -45), second tip (0, 75)."""
    codes = ("M2p_med", "M2p_lat", "M2d_med", "M2d_lat", "M2_tip", "M1_tip", "TN_med", "CC_lat")
    foot = [[-4, 20], [4, 20], [-4, 60], [4, 60], [0, 75], tip, [-30, -45], [25, -45]]
    measures = [protrusion_by_arc(1), protrusion_by_line()]
    schema = LandmarkSchema(codes, ("",) * len(codes))
    read = measure_values([foot], schema, measures=measures, millimetres=True)
    assert read["m1_protrusion_arc"][0] == pytest.approx(arc, abs=0.001)
    assert read["m1_protrusion_line"][0] == pytest.approx(line, abs=0.001)
    assert np.isnan(arc_difference(np.array([0.0, 1.0]), *np.array([[1.0, 0.0], [0.0, 2.0], [3.0, 4.0], [0.0, 9.0]])))


def test_moving_the_head_turns_the_axis_as_tabled():
    """Section 1.1: one axis end moved by 1 and 2 mm over 45, 50, 55 and 60 mm."""
    tabled = {1.0: [1.27, 1.15, 1.04, 0.95], 2.0: [2.5, 2.3, 2.1, 1.9]}
    for shift, row in tabled.items():
        for lever, angle in zip((45.0, 50.0, 55.0, 60.0), row, strict=True):
            assert ang([0.0, lever], [shift, lever]) == pytest.approx(angle, abs=0.0051 if shift == 1.0 else 0.051)
    assert ang([0.0, 1.0], distal_normal([1.0, 0.0])) == 0.0

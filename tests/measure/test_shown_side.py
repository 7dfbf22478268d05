"""As which side a picture shows a foot, from its landmarks. The rule is anatomy: the first metatarsal is the medial one
(any atlas; common knowledge, no source), so a right foot with its toes up has its great toe on the left of the picture.
"""

import numpy as np
import pytest

from raysplay.measure import LandmarkSchema, shown_side, to_foot_frame


def on_film(points, *, mirrored=False, turned=0.0):
    """Points of the right-foot frame as pixels: y downward, mirrored, and turned on the film."""
    angle = np.radians(turned)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return (points * [-1.0 if mirrored else 1.0, -1.0]) @ turn.T * 5.0 + [400.0, 700.0]


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turned", [0, 40, 90, 135, 180, 270])
def test_however_it_lies(golden_foot, whole_foot, schema, mirrored, turned):
    for foot in (golden_foot[0], whole_foot[0]):
        assert shown_side(on_film(foot, mirrored=mirrored, turned=turned), schema) == ("L" if mirrored else "R")


def test_it_is_the_side_that_measuring_needs(golden, golden_foot, schema):
    """Golden HVA: fact sheet, section 8.5. It keeps its sign however the picture was flipped."""
    from raysplay.measure import measure_values

    for mirrored in (False, True):
        points = on_film(golden_foot[0], mirrored=mirrored)
        framed, _ = to_foot_frame(points[None], None, [shown_side(points, schema)])
        assert measure_values(framed, schema)["hva"][0] == pytest.approx(31.995, abs=0.002)


def test_random_feet(random_foot, schema):
    for seed in range(200):
        assert shown_side(on_film(random_foot(seed)[0]), schema) == "R"


@pytest.mark.parametrize(
    ("codes", "told"),
    [
        (("M1p_", "M1d_", "M2p_", "M2d_"), True),
        (("M1p_", "M1d_", "PPp_", "PPd_"), True),  # edges tell
        (("M1_base_c", "M1_head_c", "M2_base_c", "M2_tip"), True),
        (("M1_base_c", "M1_head_c", "PPp_", "PPd_"), True),
        (("M1p_med", "M1d_med"), False),
        (("M1_head_c", "M5_tip"), False),
        ((), False),
    ],
)
def test_from_a_few_points(whole_foot, schema, codes, told):
    keep = np.array([code.startswith(codes) if codes else False for code in schema.codes])
    points = np.where(keep[:, None], on_film(whole_foot[0], mirrored=True), np.nan)
    assert shown_side(points, schema) == ("L" if told else None)
    assert shown_side(on_film(whole_foot[0], mirrored=True), schema, keep) == ("L" if told else None)


def test_points_in_one_line_tell_nothing():
    schema = LandmarkSchema(("M1p_med", "M1d_med", "M5d_med"), ("metatarsal_1", "metatarsal_1", "metatarsal_5"))
    assert shown_side([[0.0, 90.0], [0.0, 40.0], [0.5, 10.0]], schema) is None

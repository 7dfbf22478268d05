"""Which found foot answers to which true foot. Common practice, no source."""

import pytest

from raysplay.infer.compare.match import match_feet
from raysplay.infer.compare.run_tables import MeasuredFoot
from raysplay.infer.compare.truth import TrueFoot


def true(side, centre=None, size=(100.0, 200.0), view="dp"):
    return TrueFoot("a", side, view, {}, centre, size if centre else None)


def found(side, centre=None, decision="accepted"):
    points = {"M1_tip": (centre[0] - 5, centre[1] - 9), "DP_tip": (centre[0] + 5, centre[1] + 9)} if centre else {}
    return MeasuredFoot(side, decision, "", {}, points)


@pytest.mark.parametrize(
    ("truth", "feet", "expected"),
    [
        # Position decides, though both sides are read wrong.
        (
            [true("L", (100, 300)), true("R", (400, 300))],
            [found("L", (390, 310)), found("R", (110, 290))],
            [1, 0],
        ),
        # A foot found outside the box is not this foot.
        ([true("L", (100, 300))], [found("L", (180, 300))], [None]),
        # Without positions the side decides.
        ([true("L"), true("R")], [found("R"), found("L")], [1, 0]),
        # One each is left: the same foot with its side misread.
        ([true("L")], [found("R")], [0]),
        ([true("L"), true("R")], [found("R"), found("R")], [1, 0]),
        # Two each are left: nobody can say.
        ([true("L"), true("L")], [found("R"), found("R")], [None, None]),
        # The same foot in two views: the measured one is the dorsoplantar one.
        ([true("L"), true("L", view="lateral")], [found("L", decision="refused"), found("L")], [1, 0]),
        # A refused foot has no position; the side finds it.
        ([true("L", (100, 300), view="lateral")], [found("L", decision="refused")], [0]),
        # A film without a foot on which one was found.
        ([true("")], [found("L", (9, 9))], [0]),
        ([true("L")], [], [None]),
        ([], [found("L")], []),
    ],
)
def test_feet_are_matched(truth, feet, expected):
    assert match_feet(truth, feet) == expected

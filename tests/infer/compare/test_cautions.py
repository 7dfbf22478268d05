"""Slips in a table that show when it is laid beside a run: signs turned on one side, numbers far apart."""

import pytest

from raysplay.infer.compare.cautions import cautions
from raysplay.infer.compare.evaluation import pair_feet
from raysplay.infer.compare.run_tables import MeasuredArchive, MeasuredFoot
from raysplay.infer.compare.settings import evaluation_settings
from raysplay.infer.compare.true_foot import TrueFoot

SETTINGS = evaluation_settings()


def said(feet, measure="hva"):
    """Cautions on feet given by side, truth and what was read."""
    truth = [TrueFoot(f"f{k}", side, "dp", {measure: true}, lines=(k + 2,)) for k, (side, true, _) in enumerate(feet)]
    films = {
        f"f{k}": (MeasuredFoot(side, "accepted", "", {measure: (read, read - 1, read + 1)}),)
        for k, (side, _, read) in enumerate(feet)
    }
    run = MeasuredArchive(films, None, {measure: "shaft"})
    return cautions(pair_feet(run, truth).pairs, run.constructions, SETTINGS)


LEFT_TURNED = [("L", -6.0, 7.0), ("L", -5.0, 4.0), ("L", -7.0, 6.0), ("R", 30.0, 31.0), ("R", -8.0, -7.0)]
"""What a program writes that gives angles their turn on the screen: left feet mirrored (common practice, no source)."""


def test_signs_turned_on_one_side_are_spoken_of():
    (caution,) = said(LEFT_TURNED)
    assert "HVA of left feet has the opposite sign in the table and in the run on 3 of 3 feet" in caution


def test_signs_turned_on_both_sides():
    both = said([("L", -6.0, 7.0), ("R", -6.0, 7.0)] * 3)
    assert len(both) == 2
    assert "right feet" in both[1]


@pytest.mark.parametrize(
    "feet",
    [
        LEFT_TURNED[:2],  # two feet tell nothing
        [("L", 6.0, 7.0)] * 5 + [("L", -6.0, 7.0)],  # one slip
        [("L", -2.0, 2.0)] * 9,  # near 0 a sign is chance
        [("L", 6.0, 7.0), ("R", -6.0, -7.0)] * 4,
    ],
)
def test_signs_that_agree_are_not(feet):
    assert said(feet) == ()


def test_feet_far_apart_are_named_with_their_line():
    far = [("R", 20.0, 21.0), ("R", 71.0, 7.5), ("R", 20.0, 34.9)]
    (caution,) = said(far)
    assert "differs by 15 degrees or more on 1 feet: f1 R (line 3): 71.0 in the table, 7.5 read" in caution
    (many,) = said([("R", 40.0, 20.0)] * 13)
    assert "on 13 feet" in many
    assert "and 3 more" in many
    assert many.count("(line") == 10


def test_lengths_have_no_sign_to_turn():
    assert said([("L", -6.0, 40.0)] * 5, "forefoot_width") == ()

"""Side letters as a witness: what they lead to, for which foot, and what they never do."""

from dataclasses import replace

import numpy as np
import pytest

from raysplay.infer.decide.decision import decide
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.films.side_letters import SideLetter
from raysplay.infer.reason import ReasonKind
from raysplay.infer.records import Outcome
from raysplay.infer.settings import reading_settings
from raysplay.infer.warp import transform_points

LIMITS = decision_settings()


def letter(says, mirrored=False, x=40.0, y=60.0):
    return SideLetter(says, mirrored, x, y, 40.0, 0.995)


def decided(case, *letters, **changes):
    return decide(replace(case(**changes), letters=letters), LIMITS)


def middle(foot):
    rows, columns = reading_settings().crop_size
    return transform_points(foot.film_from_crop, np.array([[(columns - 1) / 2, (rows - 1) / 2]]))[0]


def beside(foot, by):
    """The same foot further to the right on the film, read as the other side."""
    shift = np.eye(3)
    shift[0, 2] = by
    return replace(foot, film_from_crop=shift @ foot.film_from_crop, side="L" if foot.side == "R" else "R")


@pytest.mark.parametrize(("side", "says"), [("R", "L"), ("L", "R")])
@pytest.mark.parametrize("stated", [True, False])
def test_a_letter_against_the_anatomy_goes_to_a_person(case, side, says, stated):
    decision = decided(case, letter(says), side=side, film_={"laterality": side if stated else None})
    assert decision.outcome is Outcome.REVIEW
    (reason,) = decision.reasons
    assert reason.kind is ReasonKind.SIDE_LETTER_CONFLICT
    against = "the anatomy and the file say" if stated else "the anatomy says"
    assert str(reason) == f"side letter conflict: the letter on the film says {says}, {against} {side}"


def test_a_letter_against_the_file_alone_is_said_beside_the_conflict_with_the_file(case):
    decision = decided(case, letter("R"), side="R", film_={"laterality": "L"})
    assert [str(one) for one in decision.reasons] == [
        "side conflict: the file says L, the anatomy says R",
        "side letter conflict: the letter on the film says R, the file says L",
    ]


def test_a_mirrored_letter_goes_to_a_person_whatever_it_says(case):
    for says in "LR":
        decision = decided(case, letter(says, mirrored=True), side="R")
        assert decision.outcome is Outcome.REVIEW
        (reason,) = decision.reasons
        assert reason.kind is ReasonKind.SIDE_LETTER_MIRRORED
        assert f"{says} on the film reads as in a mirror" in str(reason)


def test_a_mirrored_letter_beside_one_foot_concerns_the_other_foot_of_the_film_too(case):
    own = case().foot
    other = beside(own, 700)
    x, y = middle(other)
    decision = decided(case, letter("L", mirrored=True, x=x, y=y), companions=[other])
    assert [one.kind for one in decision.reasons] == [ReasonKind.SIDE_LETTER_MIRRORED]


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"foot": {"side_probability": 0.6}},
        {"film_": {"laterality": "L"}},
        {"foot": {"score": 0.5}},
        {"foot": {"view": {"dp": 0.3, "oblique": 0.65, "lateral": 0.05, "other": 0.0}}},
    ],
)
def test_a_letter_that_agrees_changes_nothing(case, changes):
    without = decided(case, **changes)
    with_letter = decided(case, letter("R"), **changes)
    kept = [one for one in with_letter.reasons if one.kind is not ReasonKind.SIDE_LETTER_CONFLICT]
    assert kept == list(without.reasons)
    assert with_letter.outcome is without.outcome


def test_letters_that_contradict_each_other_are_silent(case):
    assert decided(case, letter("L"), letter("R", x=900)).outcome is Outcome.ACCEPTED


def test_of_two_feet_each_has_the_letter_that_lies_nearer(case):
    own = case().foot
    other = beside(own, 700)
    (x0, y0), (x1, y1) = middle(own), middle(other)
    right, left = letter("R", x=x0 - 150, y=y0), letter("L", x=x1 + 150, y=y1)
    assert decided(case, right, left, companions=[other]).outcome is Outcome.ACCEPTED
    swapped = replace(right, letter="L"), replace(left, letter="R")
    assert [one.kind for one in decided(case, *swapped, companions=[other]).reasons] == [
        ReasonKind.SIDE_LETTER_CONFLICT
    ]


def test_a_letter_between_two_feet_belongs_to_neither(case):
    own = case().foot
    other = beside(own, 700)
    between = (middle(own) + middle(other)) / 2
    for shift in (0, -30, 30):
        stray = letter("L", x=between[0] + shift, y=between[1])
        assert decided(case, stray, companions=[other]).outcome is Outcome.ACCEPTED

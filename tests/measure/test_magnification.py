"""Lengths: magnification by the table of the project's fact sheet, section 5.3 (tag D), and which mm are reported."""

import pytest

from raysplay.configs.protocol import protocol
from raysplay.infer.films.film import SpacingKind
from raysplay.measure.magnification import magnification, millimetres_allowed


@pytest.mark.parametrize(
    ("distance", "row"), [(1000.0, [1.010, 1.020, 1.031, 1.042]), (600.0, [1.017, 1.034, 1.053, 1.071])]
)
def test_table(distance, row):
    """600 mm and 20 mm: the sheet prints 1.035, its own formula 600 / 580 gives 1.0345, which rounds to 1.034."""
    assert magnification(distance, [10.0, 20.0, 30.0, 40.0]) == pytest.approx(row, abs=0.0005)


def test_every_kind_of_spacing_has_its_rule_and_words():
    policy = protocol().spacing_policy()
    assert set(policy) == {kind.value for kind in SpacingKind}
    assert all(use.statement for use in policy.values())
    assert millimetres_allowed(["unknown", "fiducial", "detector plane"], policy).tolist() == [False, True, True]
    assert "not corrected" in policy["detector plane"].statement
    with pytest.raises(KeyError):
        millimetres_allowed(["guessed"], policy)

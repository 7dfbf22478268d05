"""Grades of one number by several published schemes, side by side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from raysplay.configs.grades import schemes
from raysplay.infer.decide.settings import decision_settings
from raysplay.infer.review.reading import GradeGiven, grades
from raysplay.infer.review.shown import Shown
from raysplay.measure.grades import Scheme


@dataclass(frozen=True)
class Graded:
    """A number by one scheme."""

    scheme: Scheme
    given: GradeGiven


@dataclass(frozen=True)
class SideBySide:
    """One number by every scheme that has a scale for it; ``conflict`` where their words differ."""

    shown: Shown
    by_scheme: tuple[Graded, ...]
    conflict: bool


def side_by_side(shown: Shown) -> SideBySide:
    """Grades of a number; none where it is withheld."""
    found = []
    if np.isfinite(shown.given[0]):
        possible = decision_settings().shape.values
        for one in schemes():
            found += [Graded(one, given) for given in grades([shown.measured()], one.name, possible)]
    words = {one.given.grade for one in found if one.given.grade}
    return SideBySide(shown, tuple(found), len(words) > 1)

"""Tibial sesamoid: the worked cases and the two schemes of the project's fact sheet, section 1.5."""

import numpy as np
import pytest

from raysplay.configs.grades import scheme
from raysplay.measure import LandmarkSchema, measure_values
from raysplay.measure.grades import grade
from raysplay.measure.sesamoid_position import (
    lateral_sesamoid_displacement,
    tibial_sesamoid_offset,
    tibial_sesamoid_share,
)

CODES = ("M1p_med", "M1p_lat", "M1d_med", "M1d_lat", "SES_T_med", "SES_T_lat", "SES_T_c", "SES_F_med", "SES_F_lat")


def read(centre, width, turn=0.0):
    """A first metatarsal along y with a sesamoid of this width, ``centre`` lateral of its axis; then all turned."""
    foot = np.array(
        [
            [-6, 10],
            [6, 10],
            [-6, 40],
            [6, 40],
            [centre - width / 2, 54],
            [centre + width / 2, 54],
            [centre, 55],
            [7, 54],
            [17, 56],
        ],
        dtype=float,
    )
    c, s = np.cos(turn), np.sin(turn)
    schema = LandmarkSchema(CODES, ("",) * len(CODES))
    measures = [tibial_sesamoid_share(), tibial_sesamoid_offset(), lateral_sesamoid_displacement()]
    return measure_values([foot @ np.array([[c, s], [-s, c]])], schema, measures=measures)


@pytest.mark.parametrize(("c", "f"), [(-8.0, 0.0), (-4.0, 0.136), (0.0, 0.5), (3.0, 0.773), (8.0, 1.0)])
def test_share_of_the_worked_cases(c, f):
    """Tag D: c in mm, w = 11 mm."""
    assert read(c, 11.0, turn=0.3)["tsp"][0] == pytest.approx(f, abs=0.0006)


@pytest.mark.parametrize(
    ("offset", "position", "aofas"),
    [
        (-0.76, "1", "0"),
        (-0.75, "2", "0"),  # gap of exactly a quarter of the width
        (-0.5, "2", "0"),  # f = 0
        (-0.49, "3", "1"),
        (-0.17, "3", "1"),
        (-1 / 6, "4", "1"),  # f = 1/3
        (0.0, "4", "1"),  # f = 0.5
        (0.01, "4", "2"),
        (0.16, "4", "2"),
        (1 / 6, "5", "2"),  # f = 2/3
        (0.49, "5", "2"),
        (0.5, "6", "3"),  # f = 1
        (0.75, "6", "3"),
        (0.76, "7", "3"),
    ],
)
def test_positions_and_grades(offset, position, aofas):
    """Table of section 1.5 (tag P), both sides of every border, graded from unrounded numbers."""
    seven = scheme("tibial_sesamoid_7").scale("tsp_offset")
    four = scheme("tibial_sesamoid_4").scale("tsp")
    assert grade([offset], seven).words() == [position]
    assert grade([min(1.0, max(0.0, offset + 0.5))], four).words() == [aofas]
    assert read(offset * 10.0, 10.0)["tsp_offset"][0] == pytest.approx(offset)


def test_lateral_sesamoid_by_hand():
    """Edges at 7 and 17 mm, cortex at 6 mm: its edge lies 11 mm beyond, 1.1 of its widths (no source)."""
    assert read(0.0, 10.0, turn=-0.4)["lateral_sesamoid"][0] == pytest.approx(1.1)


@pytest.mark.parametrize(
    ("share", "word"),
    [(0.0, "normal"), (0.01, "mild"), (0.5, "mild"), (0.51, "moderate"), (0.99, "moderate"), (1.0, "severe")],
)
def test_lateral_sesamoid_grades(share, word):
    """Panchani, Reading, Mehta, The Foot 2015: 0 normal, to 50 % mild, 51 to 99 moderate, from 100 severe (tag S)."""
    assert grade([share], scheme("lateral_sesamoid").scale("lateral_sesamoid")).words() == [word]


def test_a_sesamoid_without_width_has_no_position():
    assert np.isnan(read(1.0, 0.0)["tsp"][0])

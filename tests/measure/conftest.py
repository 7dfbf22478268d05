"""The golden foot, a foot with every landmark, and random feet around it."""

import json
from pathlib import Path

import numpy as np
import pytest

from raysplay.configs.load import landmark_schema
from raysplay.train.reference_page.foot import REFERENCE_FOOT


@pytest.fixture(scope="session")
def golden():
    """Points and angles derived in the project's fact sheet, section 8.5."""
    return json.loads((Path(__file__).parents[1] / "data" / "golden_points.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def schema():
    """The shipped landmark list."""
    return landmark_schema()


@pytest.fixture(scope="session")
def golden_foot(golden, schema):
    """Shape (1, L, 2) in mm, right-foot frame; nan for landmarks that the golden foot does not have."""
    points = np.full((1, len(schema), 2), np.nan)
    for code in schema.codes:
        if code in golden["points"]:
            points[0, schema.index(code)] = golden["points"][code]
    return points


@pytest.fixture(scope="session")
def whole_foot(schema):
    """Shape (1, L, 2) in mm, right-foot frame: the reference foot, every landmark."""
    return np.array([[REFERENCE_FOOT[code] for code in schema.codes]])


@pytest.fixture(scope="session")
def adducted_foot(whole_foot, schema):
    """The whole foot with its second metatarsal turned by 18 degrees, and so adducted by about 18."""
    foot = whole_foot.copy()
    turn = np.radians(18.0)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    for i, bone in enumerate(schema.bones):
        if bone == "metatarsal_2":
            foot[0, i] = rotation @ foot[0, i]
    return foot


@pytest.fixture(scope="session")
def random_foot(whole_foot, schema):
    """A foot unlike the reference one: every point moved by several mm, varus as well as valgus."""

    def draw(seed, spread=3.0):
        rng = np.random.default_rng(seed)
        return whole_foot + rng.normal(0.0, spread, (1, len(schema), 2))

    return draw


@pytest.fixture(scope="session")
def random_covariance():
    """Random anisotropic covariances of shape (feet, landmarks, 2, 2), standard deviations 0.1 to 0.5 mm."""

    def draw(rng, feet, landmarks):
        turn = rng.uniform(0, np.pi, (feet, landmarks))
        axes = np.stack([np.cos(turn), -np.sin(turn), np.sin(turn), np.cos(turn)], -1)
        axes = axes.reshape(feet, landmarks, 2, 2) * rng.uniform(0.1, 0.5, (feet, landmarks, 1, 2))
        return axes @ axes.swapaxes(-1, -2)

    return draw

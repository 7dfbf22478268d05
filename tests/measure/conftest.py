"""The golden foot, and random feet around it."""

import json
from pathlib import Path

import numpy as np
import pytest

from raysplay.configs.load import landmark_schema


@pytest.fixture(scope="session")
def schema():
    return landmark_schema()


@pytest.fixture(scope="session")
def golden():
    """Points and angles derived in the project's fact sheet, section 8.5."""
    return json.loads((Path(__file__).parents[1] / "data" / "golden_points.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def golden_foot(golden, schema):
    """Shape (1, L, 2) in mm, right-foot frame; nan for landmarks that the golden foot does not have."""
    points = np.full((1, len(schema), 2), np.nan)
    for code in schema.codes:
        if code in golden["points"]:
            points[0, schema.index(code)] = golden["points"][code]
    return points


@pytest.fixture(scope="session")
def random_covariance():
    """Random anisotropic covariances of shape (feet, landmarks, 2, 2), standard deviations 0.1 to 0.5 mm."""

    def draw(rng, feet, landmarks):
        turn = rng.uniform(0, np.pi, (feet, landmarks))
        axes = np.stack([np.cos(turn), -np.sin(turn), np.sin(turn), np.cos(turn)], -1)
        axes = axes.reshape(feet, landmarks, 2, 2) * rng.uniform(0.1, 0.5, (feet, landmarks, 1, 2))
        return axes @ axes.swapaxes(-1, -2)

    return draw

"""Full covariance from one per landmark and one correlation within bones."""

import numpy as np
import pytest
from scipy.linalg import sqrtm

from raysplay.measure import LandmarkSchema, bone_correlation

SCHEMA = LandmarkSchema(("a", "b", "c", "d"), ("first", "second", "first", "first"))


@pytest.mark.parametrize("correlation", [0.0, 0.3, 1.0])
def test_against_scipy(correlation, random_covariance):
    """Square roots by scipy; every landmark keeps its own block; all is a covariance."""
    own = random_covariance(np.random.default_rng(1), 3, 4)
    full = bone_correlation(own, SCHEMA, correlation).reshape(3, 4, 2, 4, 2)
    for foot in range(3):
        for k in range(4):
            for m in range(4):
                same = SCHEMA.bones[k] == SCHEMA.bones[m]
                expected = correlation * same * sqrtm(own[foot, k]) @ sqrtm(own[foot, m])
                np.testing.assert_allclose(full[foot, k, :, m], own[foot, k] if k == m else expected, atol=1e-12)
        assert np.linalg.eigvalsh(full[foot].reshape(8, 8)).min() > -1e-12


def test_an_exact_landmark_stays_exact():
    own = np.zeros((1, 4, 2, 2))
    own[0, 1:] = np.eye(2)
    full = bone_correlation(own, SCHEMA, 0.5)
    assert np.all(full[0, :2] == 0.0)
    assert full[0, 4, 6] == 0.5


@pytest.mark.parametrize("block", [[[np.nan, 0], [0, 1]], [[1, 2], [2, 1]], [[-1, 0], [0, -1]]])
def test_what_is_no_covariance_stays_none(block):
    own = np.broadcast_to(np.eye(2), (1, 4, 2, 2)).copy()
    own[0, 2] = block
    full = bone_correlation(own, SCHEMA, 0.5)
    assert np.isnan(full[0, 4:6]).all()
    assert np.isnan(full[0, :, 4:6]).all()
    assert np.isfinite(full[0][np.ix_([0, 1, 2, 3, 6, 7], [0, 1, 2, 3, 6, 7])]).all()


@pytest.mark.parametrize(
    ("covariance", "correlation", "message"),
    [(np.zeros((1, 3, 2, 2)), 0.5, "covariance must have shape"), (np.zeros((1, 4, 2, 2)), 1.5, "between 0 and 1")],
)
def test_misuse_is_a_clear_error(covariance, correlation, message):
    with pytest.raises(ValueError, match=message):
        bone_correlation(covariance, SCHEMA, correlation)

"""What usual films look like: a shrunk covariance, and a distance of 1 on films like those it was taken from."""

from types import SimpleNamespace

import numpy as np
import pytest
import torch

from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.weights import load_weights, save_weights
from raysplay.train.familiarity import (
    fit_familiarity,
    gather_features,
    pooled_features,
    shrunk_covariance,
    usual,
)


def test_the_covariance_is_that_of_ledoit_and_wolf():
    # Reference: sklearn.covariance.ledoit_wolf (scikit-learn 1.9.1) on the same numbers.
    x = np.random.default_rng(7).normal(size=(40, 6)) * np.array([1, 2, 3, 1, 0.5, 0.2]) + np.arange(6)
    covariance, share = shrunk_covariance(x)
    assert share == pytest.approx(0.07818774034707345, rel=1e-9)
    assert covariance[0] == pytest.approx(
        [0.97470606, 0.09776541, 0.12205526, -0.03899558, 0.01784904, -0.01802006], abs=1e-7
    )
    assert covariance[2, 2] == pytest.approx(8.792824239376568, rel=1e-9)


def test_few_numbers_are_drawn_to_the_unit_matrix():
    x = np.random.default_rng(1).normal(size=(30, 200))
    covariance, share = shrunk_covariance(x)
    assert share > 0.9
    assert np.linalg.cond(covariance) < 2


@pytest.fixture(scope="module")
def network():
    torch.manual_seed(3)
    return LandmarkNetwork(5, blocks=1).eval()


@pytest.fixture(scope="module")
def pictures():
    """Smooth pictures of one kind, 160 of them."""
    generator = torch.Generator().manual_seed(4)
    coarse = torch.rand(160, 1, 6, 4, generator=generator)
    return torch.nn.functional.interpolate(coarse, size=(96, 64), mode="bilinear")[:, 0]


def test_strangeness_is_one_on_films_alike_and_more_on_others(network, pictures, tmp_path):
    features = torch.cat([pooled_features(network, part) for part in pictures[:120].split(40)])
    fit_familiarity(network, features)
    path = tmp_path / "weights.safetensors"
    save_weights(network, path, {})
    read = LandmarkNetwork(5, blocks=1).eval()
    load_weights(read, path)
    with torch.inference_mode():
        alike = read(pictures[120:]).strangeness
        noise = read(torch.rand(8, 96, 64, generator=torch.Generator().manual_seed(5))).strangeness
    # By definition the squared Mahalanobis distance over the number of features has mean 1. Half precision holds it.
    assert float(alike.mean()) == pytest.approx(1.0, abs=0.25)
    assert float(noise.min()) > 2 * float(alike.max())


def test_features_are_those_that_strangeness_is_taken_of(network, pictures):
    with torch.inference_mode():
        features = pooled_features(network, pictures[:4])
        network.usual.copy_(features[0])
        network.whiten.copy_(torch.eye(features.shape[1]))
        strangeness = network(pictures[:4]).strangeness
    expected = ((features - features[0]) ** 2).mean(1)
    torch.testing.assert_close(strangeness, expected, rtol=1e-4, atol=1e-7)
    assert float(strangeness[0]) < 1e-9


def test_only_feet_from_above_with_nothing_wrong_are_usual(network, pictures):
    conditions = torch.zeros(4, len(CONDITIONS))
    conditions[1, 2], conditions[2, 3] = 1.0, torch.nan
    view = torch.tensor([VIEWS.index(v) for v in ("dp", "dp", "dp", "lateral")])
    batch = SimpleNamespace(view=view, conditions=conditions, images=pictures[:4])
    assert usual(batch).tolist() == [True, False, True, False]
    features = gather_features(network, lambda: SimpleNamespace(landmarks=batch), 5)
    expected = pooled_features(network, pictures[:4])[[0, 2, 0, 2, 0]]
    torch.testing.assert_close(features, expected, rtol=1e-4, atol=1e-5)

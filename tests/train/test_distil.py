"""Distillation: least where student and teacher agree, and nothing where nobody is asked."""

import pytest
import torch

from raysplay.infer.network.landmark_network import STRIDE, LandmarkPrediction, cell_centres, decode
from raysplay.train.distil import distil_loss

ROWS, COLUMNS = 12, 10


def predicted(maps):
    size, count = maps.shape[:2]
    none = torch.zeros(size, count)
    return LandmarkPrediction(decode(maps), torch.ones(size, count, 3), none, none, none, none[:, 0], maps)


def peaked(points):
    """Maps with one broad peak at each of (B, L, 2) points."""
    x, y = cell_centres(ROWS, COLUMNS, points.device)
    square = ((x - points[..., :1]) ** 2)[..., None, :] + ((y - points[..., 1:]) ** 2)[..., :, None]
    return predicted(-square / (2 * (2 * STRIDE) ** 2))


PLACES = torch.tensor([[[12.0, 30.0], [20.0, 9.5], [31.0, 17.0]], [[8.0, 40.0], [27.5, 22.0], [18.0, 18.0]]])


@pytest.fixture
def taught():
    return peaked(PLACES)


def test_a_student_who_agrees_pays_the_entropy_of_the_teacher_alone(taught):
    weight = torch.ones(2, 3)
    share = torch.distributions.Categorical(logits=taught.maps.flatten(2))
    torch.testing.assert_close(distil_loss(taught, taught, weight), share.entropy().mean())


def test_every_other_student_pays_more(taught):
    weight = torch.ones(2, 3)
    least = distil_loss(taught, taught, weight)
    for seed in range(5):
        other = taught.maps + torch.randn(taught.maps.shape, generator=torch.Generator().manual_seed(seed))
        assert distil_loss(taught, predicted(other), weight) > least


def test_the_divergence_is_that_of_torchs_distributions(taught):
    """Cross entropy less entropy is the divergence of Kullback and Leibler, as torch.distributions computes it."""
    other = peaked(PLACES + torch.tensor([1.5, -2.0]))
    weight = torch.ones(2, 3)
    p, q = (torch.distributions.Categorical(logits=one.maps.flatten(2)) for one in (taught, other))
    gap = torch.nn.functional.smooth_l1_loss(other.points, taught.points, reduction="none", beta=0.5).sum(-1)
    assert (other.points - taught.points).norm(dim=-1).max() < 6 * STRIDE
    expected = (torch.distributions.kl_divergence(p, q) + p.entropy()).mean() + gap.mean() / STRIDE
    torch.testing.assert_close(distil_loss(taught, other, weight), expected)


def test_landmarks_of_no_weight_cost_nothing(taught):
    weight = torch.ones(2, 3)
    weight[:, 1] = 0
    other = taught.maps.clone()
    other[:, 1] = torch.randn(2, ROWS, COLUMNS)
    torch.testing.assert_close(distil_loss(taught, predicted(other), weight), distil_loss(taught, taught, weight))

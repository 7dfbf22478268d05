"""The trunk and both networks: shapes, and the features of the residual network they are named after."""

import pytest
import torch

from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import STRIDE, LandmarkNetwork
from raysplay.infer.network.locator_network import STRIDE as LOCATOR_STRIDE
from raysplay.infer.network.locator_network import LocatorNetwork
from raysplay.infer.network.torchvision_operators import resnet
from raysplay.infer.network.trunk import Context, Trunk, convolution


def test_features_are_those_of_torchvisions_residual_network():
    torch.manual_seed(1)
    whole, trunk = resnet.resnet18(weights=None).eval(), Trunk(2).eval()
    for own, other in zip(trunk.stages, (whole.layer1, whole.layer2, whole.layer3), strict=True):
        own.load_state_dict(other.state_dict())
    picture = torch.randn(2, 2, 64, 96)
    stem = whole.conv1
    with torch.inference_mode():
        stem.weight[:, 2] = 0  # The third colour is blind: two channels are left.
        trunk.stem[0].weight.copy_(stem.weight[:, :2])
        x = whole.maxpool(whole.relu(whole.bn1(stem(torch.cat([picture, torch.zeros(2, 1, 64, 96)], 1)))))
        for feature, stage, stride in zip(
            trunk(picture), (whole.layer1, whole.layer2, whole.layer3), (4, 8, 16), strict=True
        ):
            x = stage(x)
            torch.testing.assert_close(feature, x)
            assert feature.shape[2:] == (64 // stride, 96 // stride)


@pytest.mark.parametrize(("kernel", "dilation", "groups"), [(1, 1, 1), (3, 1, 1), (5, 4, 8)])
def test_a_convolution_keeps_the_size(kernel, dilation, groups):
    with torch.no_grad():
        out = convolution(8, 16, kernel, dilation, groups)(torch.randn(2, 8, 17, 11))
    assert out.shape == (2, 16, 17, 11)
    assert float(out.min()) >= 0


def test_context_sees_the_whole_picture():
    context = Context(32).eval()
    x = torch.randn(1, 32, 40, 40, requires_grad=True)
    context(x)[0, :, 2, 2].sum().backward()
    assert float(x.grad[0, :, 39, 39].abs().sum()) > 0


def test_the_landmark_network_gives_points_and_doubts_of_every_landmark():
    torch.manual_seed(2)
    network = LandmarkNetwork(7, blocks=1).eval()
    with torch.inference_mode():
        out = network(torch.rand(2, 96, 64))
    assert out.points.shape == (2, 7, 2)
    assert out.maps.shape == (2, 7, 96 // STRIDE, 64 // STRIDE)
    assert out.spread.shape == (2, 7, 3)
    assert out.confidence.shape == (2, 7)
    assert out.view.shape == (2, len(VIEWS))
    assert (out.points >= 0).all()
    assert (out.points <= torch.tensor([63.0, 95.0])).all()
    assert (out.spread[..., [0, 2]] > 0).all()


def test_the_doubt_of_a_landmark_does_not_move_its_point():
    torch.manual_seed(3)
    network = LandmarkNetwork(3, blocks=1)
    out = network(torch.rand(2, 64, 64))
    out.spread.sum().backward()
    assert network.maps.weight.grad is None
    assert network.doubt[1].weight.grad.abs().sum() > 0


def test_the_locator_starts_out_finding_nothing():
    torch.manual_seed(4)
    network = LocatorNetwork(5).eval()
    with torch.inference_mode():
        out = network(torch.rand(2, 96, 128))
    assert out.shape == (2, 1 + 2 * 5 + 1 + len(VIEWS), 96 // LOCATOR_STRIDE, 128 // LOCATOR_STRIDE)
    assert float(torch.sigmoid(out[:, 0]).mean()) < 0.1


def test_a_picture_is_read_alike_in_any_company():
    torch.manual_seed(5)
    network = LandmarkNetwork(4, blocks=1).eval()
    pictures = torch.rand(3, 64, 64)
    with torch.inference_mode():
        together, alone = network(pictures).maps[1], network(pictures[1:2]).maps[0]
    torch.testing.assert_close(together, alone, rtol=1e-4, atol=1e-4)

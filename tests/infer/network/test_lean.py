"""The lean networks: what the careful ones give, from a seventh of their arithmetic."""

import pytest
import torch
from torch.utils.flop_counter import FlopCounterMode

from raysplay.configs import landmark_schema
from raysplay.configs.views import VIEWS
from raysplay.infer.network.landmark_network import STRIDE
from raysplay.infer.network.lean_landmark_network import LeanLandmarkNetwork
from raysplay.infer.network.lean_locator_network import LeanLocatorNetwork
from raysplay.infer.network.locator_network import STRIDE as LOCATOR_STRIDE
from raysplay.infer.network.separable import Separable
from raysplay.infer.settings import reading_settings


def arithmetic(network, rows, columns):
    """Floating-point operations of one picture as PyTorch's own counter has them: two a product."""
    with FlopCounterMode(display=False) as counter, torch.inference_mode():
        network.eval()(torch.rand(1, rows, columns))
    return counter.get_total_flops()


def test_a_film_with_one_foot_costs_at_most_seven_gigaflop():
    settings = reading_settings()
    landmarks = arithmetic(LeanLandmarkNetwork(len(landmark_schema())), *settings.crop_size)
    locator = arithmetic(LeanLocatorNetwork(len(settings.anchors)), settings.film_side, settings.film_side)
    assert landmarks + locator < 7e9


def test_a_block_begins_as_the_identity():
    block, x = Separable(8).eval(), torch.randn(2, 8, 12, 10)
    with torch.inference_mode():
        torch.testing.assert_close(block(x), x)


class TestLandmarks:
    @pytest.fixture
    def network(self):
        torch.manual_seed(2)
        return LeanLandmarkNetwork(7)

    def test_every_landmark_has_a_point_and_a_doubt(self, network):
        with torch.inference_mode():
            out = network.eval()(torch.rand(2, 96, 64))
        assert out.points.shape == (2, 7, 2)
        assert out.maps.shape == (2, 7, 96 // STRIDE, 64 // STRIDE)
        assert out.spread.shape == (2, 7, 3)
        assert out.confidence.shape == (2, 7)
        assert out.view.shape == (2, len(VIEWS))
        assert (out.spread[..., [0, 2]] > 0).all()

    def test_doubt_does_not_move_points(self, network):
        out = network(torch.rand(2, 64, 64))
        out.spread.sum().backward()
        assert network.maps.weight.grad is None
        assert network.doubt.grad.abs().sum() > 0

    def test_doubt_is_read_where_the_point_lies(self, network):
        """Features are set to their own column: what is read there must be that of the point, in cells."""
        columns = 16
        x4 = torch.arange(columns).float().expand(1, 168, 24, columns).contiguous()
        x8 = torch.zeros(1, 88, 12, columns // 2)
        seen = []
        network.at_point.register_forward_hook(lambda module, inputs, output: seen.append(inputs[0]))
        points = torch.tensor([[[13.5, 40.0], [33.5, 2.0]]]).expand(1, 2, 2)
        network.landmarks = 2
        network.doubt = torch.nn.Parameter(network.doubt[:2])
        network.doubt_bias = torch.nn.Parameter(network.doubt_bias[:2])
        network._doubt(x4, x8, points)
        middle = (STRIDE - 1) / 2
        torch.testing.assert_close(seen[0][0, :, 0], (points[0, :, 0] - middle) / STRIDE)

    def test_a_picture_is_read_alike_in_any_company(self, network):
        pictures = torch.rand(3, 64, 64)
        network.eval()
        with torch.inference_mode():
            together, alone = network(pictures).maps[1], network(pictures[1:2]).maps[0]
        torch.testing.assert_close(together, alone, rtol=1e-4, atol=1e-4)


def test_the_locator_starts_out_finding_nothing():
    torch.manual_seed(4)
    network = LeanLocatorNetwork(5).eval()
    with torch.inference_mode():
        out = network(torch.rand(2, 96, 128))
    assert out.shape == (2, 1 + 2 * 5 + 1 + len(VIEWS), 96 // LOCATOR_STRIDE, 128 // LOCATOR_STRIDE)
    assert float(torch.sigmoid(out[:, 0]).mean()) < 0.1

"""From maps to positions: to a fraction of a pixel, with noise, at the border; and each landmark's own doubt."""

import numpy as np
import pytest
import torch
import torch.nn.functional as F  # noqa: N812

from raysplay.infer.network.landmark_network import STRIDE, cell_centres, decode, sample

ROWS, COLUMNS = 48, 32
SPREAD = 1.1
"""Of the maps in cells, as the network is trained for."""


def maps_of(points, spread=SPREAD):
    """Logits whose softmax is a Gaussian about (B, L, 2) points in crop pixels."""
    x, y = cell_centres(ROWS, COLUMNS, torch.device("cpu"))
    square = ((x - points[..., :1]) ** 2)[..., None, :] + ((y - points[..., 1:]) ** 2)[..., :, None]
    return -square / (2 * (spread * STRIDE) ** 2)


def scattered(count, seed=1, margin=24):
    rng = np.random.default_rng(seed)
    size = np.array([COLUMNS, ROWS]) * STRIDE
    return torch.as_tensor(rng.uniform(margin, size - margin, (1, count, 2)), dtype=torch.float32)


def argmax(maps):
    """Middle of the brightest cell."""
    peak = maps.flatten(2).argmax(2)
    return torch.stack([peak % COLUMNS, peak // COLUMNS], -1) * STRIDE + (STRIDE - 1) / 2


def gap(points, truth):
    return (points - truth).norm(dim=-1)


def test_cells_stand_for_the_middle_of_their_pixels():
    x, y = cell_centres(3, 2, torch.device("cpu"))
    assert x.tolist() == [np.arange(0, 4).mean(), np.arange(4, 8).mean()]
    assert y.tolist() == [1.5, 5.5, 9.5]


def test_ideal_maps_are_read_to_a_twentieth_of_a_pixel():
    points = scattered(400)
    assert float(gap(decode(maps_of(points)), points).max()) < 0.05


def test_averaging_about_the_peak_beats_the_brightest_cell_by_far():
    # Known of decoders at stride 4: the brightest cell errs by 1.53 px on average, the mean distance of a point
    # of a 4 x 4 square from its middle (0.3826 of its side). Averages within a window err by a tenth of that.
    points = scattered(2000)
    maps = maps_of(points)
    plain = float(gap(argmax(maps), points).mean())
    assert plain == pytest.approx(0.3826 * STRIDE, rel=0.03)
    assert float(gap(decode(maps), points).mean()) < plain / 50

    noisy = maps + 0.3 * torch.randn(maps.shape, generator=torch.Generator().manual_seed(2))
    plain, averaged = gap(argmax(noisy), points), gap(decode(noisy), points)
    # Noise of 0.3 in the logits changes every share of a map by about 30 percent.
    assert float(averaged.mean()) < 0.4
    assert float(averaged.quantile(0.99)) < 1.0
    assert float(averaged.mean()) < float(plain.mean()) / 5


def test_a_far_second_peak_does_not_pull():
    # What a mean over the whole map would suffer from.
    points = scattered(50)
    maps = torch.maximum(maps_of(points), maps_of(points.flip(1)) - 1.0)
    apart = gap(points, points.flip(1)) > 12 * STRIDE
    assert int(apart.sum()) > 20
    assert float(gap(decode(maps), points)[apart].max()) < 0.05
    whole = torch.softmax(maps.flatten(2), 2).reshape(maps.shape)
    x, y = cell_centres(ROWS, COLUMNS, torch.device("cpu"))
    mean = torch.stack([(whole.sum(2) * x).sum(2), (whole.sum(3) * y).sum(2)], -1)
    assert float(gap(mean, points)[apart].min()) > 5


@pytest.mark.parametrize("x", [0.0, 1.5, 64.0, COLUMNS * STRIDE - 2.5, COLUMNS * STRIDE - 1.0])
@pytest.mark.parametrize("y", [0.0, 1.5, 80.0, ROWS * STRIDE - 2.5, ROWS * STRIDE - 1.0])
def test_a_peak_at_the_border_stays_inside_and_near(x, y):
    points = torch.tensor([[[x, y]]])
    got = decode(maps_of(points))
    # The half of the peak beyond the border is missing: its mean lies inside by up to 0.8 spreads on each axis.
    assert float((got - points).abs().max()) <= 0.8 * SPREAD * STRIDE + 1.5
    assert (got >= 1.5).all()
    assert (got <= torch.tensor([COLUMNS, ROWS]) * STRIDE - 2.5).all()


def test_an_axis_away_from_the_border_is_not_spoilt_by_it():
    points = torch.tensor([[[0.0, 81.3]]])
    assert decode(maps_of(points))[0, 0, 1] == pytest.approx(81.3, abs=0.05)


def test_positions_can_be_learnt():
    points = scattered(4)
    maps = (0.9 * maps_of(points)).requires_grad_()
    before = gap(decode(maps), points + 1.0).sum()
    before.backward()
    with torch.no_grad():
        after = gap(decode(maps - 0.05 * maps.grad), points + 1.0).sum()
        assert after < before


def test_every_landmark_reads_its_own_channels_where_it_lies():
    count = 5
    x, y = cell_centres(ROWS, COLUMNS, torch.device("cpu"))
    points = torch.cat([scattered(count, 3), scattered(count, 4)])
    # A field that rises evenly, which bilinear reading gives back exactly: another slope for each channel and picture.
    slope = torch.randn(2, 4 * count, 3, generator=torch.Generator().manual_seed(5)) * torch.tensor([1.0, 0.02, 0.02])
    field = slope[..., :1, None] + slope[..., 1:2, None] * x + slope[..., 2:, None] * y[:, None]
    own = slope.reshape(2, count, 4, 3)
    expected = own[..., 0] + own[..., 1] * points[..., None, 0] + own[..., 2] * points[..., None, 1]
    read = sample(field, points, count)
    torch.testing.assert_close(read[..., 1], expected[..., 1], rtol=1e-4, atol=1e-4)
    torch.testing.assert_close(read[..., 3], expected[..., 3], rtol=1e-4, atol=1e-4)
    for diagonal in (0, 2):
        torch.testing.assert_close(read[..., diagonal], F.softplus(expected[..., diagonal]) + 0.1, rtol=1e-4, atol=1e-4)

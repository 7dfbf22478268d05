"""The view head fitted again: what it is told comes out, and nothing else of the network moves."""

import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.configs.views import VIEWS
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.weights import load_weights
from raysplay.infer.shipped_weights import WEIGHTS_DIR
from raysplay.synthetic_data.archive import write_archive
from raysplay.synthetic_data.film.settings import condition_settings
from raysplay.train.real_crops.real_films import MARGIN, RealCrops
from raysplay.train.view_head_fit import archive_features, crop_features, fit_view_head

WEIGHTS = WEIGHTS_DIR / "landmarks.safetensors"


@pytest.fixture
def network():
    network = LandmarkNetwork(len(landmark_schema()))
    load_weights(network, WEIGHTS)
    return network.eval()


def test_what_is_told_of_real_crops_is_learned_and_the_rest_stays(network):
    torch.manual_seed(1)
    before = {name: value.clone() for name, value in network.state_dict().items()}
    width = network.view[0].in_features
    dp, oblique = torch.zeros(width), torch.zeros(width)
    dp[0], oblique[1] = 3.0, 3.0
    centres = torch.stack([dp, oblique])
    views = torch.tensor([VIEWS.index("dp"), VIEWS.index("oblique")]).repeat(40)
    features = centres.repeat(40, 1) + 0.1 * torch.randn(80, width)
    figures = fit_view_head(network, (features, views), (features, views), steps=600)
    assert set(figures) == {f"{source} {view}" for source in ("generated", "real") for view in ("dp", "oblique")}
    # Nobody told the head before what these made-up features show.
    assert min(figure["before"] for figure in figures.values()) < 0.6
    assert figures["real dp"]["after"] > 0.9
    assert figures["real oblique"]["after"] > 0.9
    moved = {name for name, value in network.state_dict().items() if not torch.equal(value, before[name])}
    assert moved == {"view.0.weight", "view.0.bias", "view.2.weight", "view.2.bias"}


def test_features_are_those_the_view_is_told_from(network, tmp_path):
    """The head on the features of generated films says what the reader says of them."""
    write_archive(2, 11, tmp_path, settings=condition_settings("oblique"), workers=1)
    reader = FootReader(WEIGHTS_DIR / "locator.safetensors", WEIGHTS, threads=1)
    features, views = archive_features(network, reader, tmp_path)
    assert len(features) == len(views) >= 2
    assert (views == VIEWS.index("oblique")).all()
    assert (network.view(features).argmax(1) == views).float().mean() >= 0.5


def test_real_crops_are_laid_anew_each_time(network):
    rows, columns = (side + 2 * MARGIN for side in (576, 384))
    count = len(landmark_schema())
    images = torch.randint(0, 255, (2, rows, columns), dtype=torch.uint8)
    real = RealCrops(
        images,
        torch.zeros(2, count, 2),
        torch.zeros(2, count, dtype=torch.bool),
        torch.tensor([0, 1]),
        torch.full((2, 7), torch.nan),
    )
    features, views = crop_features(network, real, batches=1)
    assert features.shape == (32, network.view[0].in_features)
    assert set(views.tolist()) == {0, 1}
    assert not torch.equal(features[0], features[1])

"""Round blobs whose middle is known, and readers of feet without training."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
import torch

from raysplay.configs import landmark_schema
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.locator_network import LocatorNetwork
from raysplay.infer.network.weights import save_weights
from raysplay.infer.settings import reading_settings

FloatArray = npt.NDArray[np.float64]


@pytest.fixture(scope="session")
def draw_blob() -> Callable[..., FloatArray]:
    """Gaussian blob of height 1: ``draw_blob(size, (x, y), sigma)``; pixel centres at integers."""

    def draw(size: tuple[int, int], at: npt.ArrayLike, sigma: float) -> FloatArray:
        y, x = np.mgrid[: size[0], : size[1]]
        px, py = np.asarray(at, float)
        blob: FloatArray = np.exp(-((x - px) ** 2 + (y - py) ** 2) / (2 * sigma**2))
        return blob

    return draw


@pytest.fixture(scope="session")
def centre_of_mass() -> Callable[..., FloatArray]:
    """Centre (x, y) of what is bright; ``near`` and ``reach`` keep to a square round a point."""

    def centre(image: npt.ArrayLike, near: npt.ArrayLike | None = None, reach: float = np.inf) -> FloatArray:
        grey = np.asarray(image, float)
        y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
        if near is not None:
            px, py = np.asarray(near, float)
            grey = grey * ((np.abs(x - px) <= reach) & (np.abs(y - py) <= reach))
        total = grey.sum()
        assert total > 0, "nothing bright here"
        return np.array([(grey * x).sum() / total, (grey * y).sum() / total])

    return centre


@pytest.fixture(scope="session")
def untrained_weights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with weights of networks that know nothing, under the names of the shipped ones."""
    folder = tmp_path_factory.mktemp("untrained")
    torch.manual_seed(0)
    save_weights(LocatorNetwork(len(reading_settings().anchors)), folder / "locator.safetensors", {})
    save_weights(LandmarkNetwork(len(landmark_schema())), folder / "landmarks.safetensors", {})
    return folder


@pytest.fixture(scope="session")
def untrained_reader(untrained_weights: Path) -> Callable[[], FootReader]:
    """Readers with networks that know nothing; a test puts in their place what it wants the networks to say."""
    return lambda: FootReader(untrained_weights / "locator.safetensors", untrained_weights / "landmarks.safetensors")

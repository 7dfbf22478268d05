"""Training of the letters' network: what its scenes hold, that it repeats, that numpy runs what torch trained."""

import numpy as np
import pytest
import torch

from raysplay.configs.load import load
from raysplay.infer.films.letter_network import LETTERS, LetterNetwork
from raysplay.infer.films.patch_network import PATCH
from raysplay.infer.network.weights import save_weights
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.network.weights_file import read_weights
from raysplay.infer.settings import reading_settings
from raysplay.infer.shipped_weights import of_network
from raysplay.train.patch_fit import PatchNet
from raysplay.train.side_letter_fit import drawn, fit
from raysplay.train.side_letter_scenes import scene
from raysplay.train.side_letter_settings import SideLetterTraining


@pytest.fixture(scope="module")
def small():
    return load(SideLetterTraining, "side_letter_fit.yaml").model_copy(update={"scenes": 60, "epochs": 2, "batch": 16})


def test_scenes_show_both_letters_and_other_things_and_are_the_same_again(small):
    patches, kinds = drawn(small)
    again, same = drawn(small)
    assert np.array_equal(patches, again)
    assert np.array_equal(kinds, same)
    assert set(kinds) == {0, 1, len(LETTERS)}
    assert patches.shape[1:] == (PATCH, PATCH)
    assert patches.min() >= 0
    assert patches.max() <= 1


def test_a_letter_of_a_scene_is_upright_so_that_its_mirror_image_is_none(small):
    """Judged by the shipped network, on scenes of another seed: plain ones are letters, no mirrored one is."""
    network, settings = LetterNetwork.read(of_network("side_letters")), reading_settings().side_letters
    letters = [
        (part.patch, kind)
        for k in range(200)
        for part, kind in scene(np.random.default_rng([5, k]), small, settings)
        if kind < len(LETTERS)
    ]
    patches, kinds = np.stack([patch for patch, _ in letters]), np.array([kind for _, kind in letters])
    assert (network.read_patches(patches).argmax(1) == kinds).mean() > 0.9
    assert (network.read_patches(patches[:, :, ::-1]).argmax(1) == len(LETTERS)).mean() > 0.9


def test_the_same_configuration_gives_the_same_weights(small):
    first, second = fit(small).state_dict(), fit(small).state_dict()
    assert all(torch.equal(first[name], second[name]) for name in first)


def test_numpy_gives_what_torch_gives(tmp_path):
    """The reference is torch's own layers."""
    torch.manual_seed(4)
    network = PatchNet(LetterNetwork.shapes).eval()
    save_weights(network, tmp_path / "letters.safetensors", {"network": "side_letters"})
    stored = {
        name: torch.from_numpy(one.astype(np.float32))
        for name, one in read_weights(tmp_path / "letters.safetensors")[0].items()
    }
    network.load_state_dict(stored)
    patches = np.random.default_rng(1).random((5, PATCH, PATCH), dtype=np.float32)
    with torch.no_grad():
        expected = torch.softmax(network(torch.from_numpy(patches)[:, None]), 1).numpy()
    given = LetterNetwork.read(tmp_path / "letters.safetensors").read_patches(patches)
    assert given == pytest.approx(expected, abs=1e-5)


def test_weights_of_another_network_are_refused_by_name(tmp_path):
    save_weights(torch.nn.Linear(3, 2), tmp_path / "pier.safetensors", {"network": "side_letters"})
    with pytest.raises(WeightsError, match=r"^pier\.safetensors: made for another network$"):
        LetterNetwork.read(tmp_path / "pier.safetensors")
    with pytest.raises(WeightsError, match=r"^landmarks\.safetensors: made for another network$"):
        LetterNetwork.read(of_network("landmarks"))

"""Training of the characters' network: what its lines hold, that it repeats, that numpy runs what torch trained."""

import numpy as np
import pytest
import torch

from raysplay.configs.load import load
from raysplay.infer.films.character_network import CHARACTERS, CharacterNetwork
from raysplay.infer.films.patch_network import PATCH
from raysplay.infer.films.read_line import OTHER
from raysplay.infer.network.weights import save_weights
from raysplay.infer.network.weights_file import read_weights
from raysplay.infer.shipped_weights import of_network
from raysplay.train.character_fit import drawn, fit
from raysplay.train.character_scenes import font_file, kind_of
from raysplay.train.character_settings import CharacterTraining
from raysplay.train.patch_fit import PatchNet
from raysplay.train.stroke_font import STROKES


@pytest.fixture(scope="module")
def small():
    shipped = load(CharacterTraining, "character_fit.yaml")
    return shipped.model_copy(update={"scenes": 60, "epochs": 2, "batch": 16, "seed": 5})


def test_lines_show_characters_and_other_things_and_are_the_same_again(small):
    patches, kinds = drawn(small)
    again, same = drawn(small)
    assert np.array_equal(patches, again)
    assert np.array_equal(kinds, same)
    assert OTHER in kinds
    assert len(set(kinds)) > 25
    assert patches.shape[1:] == (PATCH, PATCH)
    assert 0 <= patches.min() <= patches.max() <= 1


def test_what_a_piece_is_called_is_what_the_shipped_network_sees(small):
    """On lines of another seed than it was trained with; it is no judge of itself, but of the labels."""
    patches, kinds = drawn(small)
    seen = CharacterNetwork.read(of_network("characters")).read_patches(patches).argmax(1)
    whole = kinds != OTHER
    assert (seen == kinds)[whole].mean() > 0.93
    assert (seen == kinds)[~whole].mean() > 0.85


@pytest.mark.parametrize(("drawn_as", "told"), [("a", "A"), ("0", "O"), ("1", "I"), ("l", "L"), (",", "."), ("[", "(")])
def test_small_letters_and_figures_that_look_like_letters_are_one(drawn_as, told):
    assert CHARACTERS[kind_of(drawn_as)] == told


def test_letters_that_are_in_no_list_are_none():
    assert {kind_of(one) for one in "ЖΩ&ß"} == {OTHER}


def test_strokes_and_fonts_are_there(small):
    assert set(STROKES) >= set("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789")
    assert all(0 <= x <= 4 and 0 <= y <= 6 for strokes in STROKES.values() for one in strokes for x, y in one)
    assert all(font_file(name).is_file() for name in small.fonts)


def test_the_same_configuration_gives_the_same_weights_and_numpy_runs_them(small, tmp_path):
    """The reference is torch's own layers."""
    first, second = fit(small), fit(small)
    assert all(torch.equal(one, second.state_dict()[name]) for name, one in first.state_dict().items())
    save_weights(first, tmp_path / "written.safetensors", {"network": "characters"})
    network = PatchNet(CharacterNetwork.shapes).eval()
    stored = read_weights(tmp_path / "written.safetensors")[0]
    network.load_state_dict({name: torch.from_numpy(one.astype(np.float32)) for name, one in stored.items()})
    patches = np.random.default_rng(1).random((300, PATCH, PATCH), dtype=np.float32)
    with torch.no_grad():
        expected = torch.softmax(network(torch.from_numpy(patches)[:, None]), 1).numpy()
    given = CharacterNetwork.read(tmp_path / "written.safetensors").read_patches(patches)
    assert given == pytest.approx(expected, abs=1e-5)

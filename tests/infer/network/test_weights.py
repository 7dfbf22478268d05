"""Weights files: whole, in half precision, without pickle, refused with a reason where they do not fit."""

import json
import pickle
import struct

import pytest
import torch
from torch import nn

from raysplay.infer.network.landmark_network import LandmarkNetwork
from raysplay.infer.network.locator_network import LocatorNetwork
from raysplay.infer.network.weights import WeightsError, digest, load_weights, save_weights, start_weights

DESCRIPTION = {"network": "locator", "steps": "17", "losses": '{"centre": 0.5}'}


@pytest.fixture
def network():
    torch.manual_seed(1)
    network = LocatorNetwork(3)
    network(torch.rand(4, 64, 64))  # moves the running means away from their start
    return network


@pytest.fixture
def path(tmp_path, network):
    path = tmp_path / "new" / "locator.safetensors"
    save_weights(network, path, DESCRIPTION)
    return path


def test_what_is_loaded_is_what_was_saved_in_half_precision(path, network):
    other = LocatorNetwork(3)
    assert load_weights(other, path) == DESCRIPTION
    saved, loaded = network.state_dict(), other.state_dict()
    for name, value in loaded.items():
        if name.endswith("num_batches_tracked"):
            continue
        assert value.dtype == saved[name].dtype == torch.float32
        torch.testing.assert_close(value, saved[name].half().float(), rtol=0, atol=0)
    picture = torch.rand(1, 64, 64)
    with torch.inference_mode():
        torch.testing.assert_close(other.eval()(picture), network.eval()(picture), rtol=0.02, atol=0.05)


def test_the_file_is_plain_safetensors(path):
    # Layout of the format: 8 bytes with the length of a JSON header, the header, then bare numbers.
    content = path.read_bytes()
    (length,) = struct.unpack("<Q", content[:8])
    header = json.loads(content[8 : 8 + length])
    assert header.pop("__metadata__") == DESCRIPTION
    assert {entry["dtype"] for entry in header.values()} == {"F16"}
    ends = sorted(tuple(entry["data_offsets"]) for entry in header.values())
    assert ends[0][0] == 0
    assert ends[-1][1] == len(content) - 8 - length
    assert not list(path.parent.glob("*.part"))


def test_a_missing_file_is_named(tmp_path, network):
    with pytest.raises(WeightsError, match=r"^nowhere\.safetensors: .*\(there is no such file\)$"):
        load_weights(network, tmp_path / "nowhere.safetensors")


def test_a_folder_is_named(tmp_path, network):
    (tmp_path / "folder").mkdir()
    with pytest.raises(WeightsError, match=r"^folder: .*\(there is no such file\)$"):
        load_weights(network, tmp_path / "folder")


@pytest.mark.parametrize("keep", [0, 5, 100, 5000, -1])
def test_a_cut_file_is_named(path, network, keep):
    path.write_bytes(path.read_bytes()[:keep])
    with pytest.raises(
        WeightsError,
        match=r"^locator\.safetensors: cannot be read as weights \(damaged, or not in the format safetensors\)$",
    ):
        load_weights(network, path)


def test_a_damaged_header_is_named(path, network):
    content = bytearray(path.read_bytes())
    content[12:40] = bytes(28)
    path.write_bytes(content)
    with pytest.raises(WeightsError, match=r"^locator\.safetensors: "):
        load_weights(network, path)


def test_a_pickle_is_not_opened(path, network, tmp_path):
    class Trap:
        def __reduce__(self):
            return (open, (str(tmp_path / "sprung"), "w"))

    path.write_bytes(pickle.dumps(Trap()))
    with pytest.raises(WeightsError, match="cannot be read as weights"):
        load_weights(network, path)
    torch.save({"x": Trap()}, path)
    with pytest.raises(WeightsError, match="cannot be read as weights"):
        load_weights(network, path)
    assert not (tmp_path / "sprung").exists()


@pytest.mark.parametrize("other", [lambda: LocatorNetwork(4), lambda: LandmarkNetwork(3), lambda: nn.Linear(2, 2)])
def test_weights_of_another_network_are_refused_and_nothing_is_changed(path, other):
    target = other()
    before = {name: value.clone() for name, value in target.state_dict().items()}
    with pytest.raises(WeightsError, match=r"^locator\.safetensors: made for another network"):
        load_weights(target, path)
    for name, value in target.state_dict().items():
        torch.testing.assert_close(value, before[name], rtol=0, atol=0)


def test_a_file_that_is_there_stays_whole_when_writing_fails(path, network, monkeypatch):
    before = path.read_bytes()

    def full(*_, **__):
        raise OSError("no space left")

    monkeypatch.setattr("raysplay.infer.network.weights.save_file", full)
    with pytest.raises(OSError, match="no space"):
        save_weights(network, path, {})
    assert path.read_bytes() == before


def test_the_digest_is_sha_256(tmp_path):
    # FIPS 180-4, the one-block example "abc".
    (tmp_path / "abc").write_bytes(b"abc")
    assert digest(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_training_goes_on_from_weights_that_lack_a_head(tmp_path):
    torch.manual_seed(2)
    older, newer = LandmarkNetwork(5, blocks=1), LandmarkNetwork(5, blocks=1)
    older.conditions = nn.Identity()
    path = tmp_path / "older.safetensors"
    save_weights(older, path, {})
    with pytest.raises(WeightsError, match="made for another network"):
        load_weights(newer, path)
    drawn = {name: value.clone() for name, value in newer.state_dict().items()}
    fresh = start_weights(newer, path)
    assert fresh == [name for name in sorted(drawn) if name.startswith("conditions.")]
    for name, value in newer.state_dict().items():
        if name in fresh:
            assert torch.equal(value, drawn[name])
        elif not name.endswith("num_batches_tracked"):
            assert torch.equal(value, older.state_dict()[name].half().float())


def test_landmarks_added_at_the_end_of_the_list_leave_the_others_as_they_were(tmp_path):
    """Maps lie one a landmark, doubts four a landmark, in the order of the list."""
    path = tmp_path / "five.safetensors"
    five, six = LandmarkNetwork(5, blocks=1), LandmarkNetwork(6, blocks=1)
    save_weights(five, path, {})
    drawn = {name: value.clone() for name, value in six.state_dict().items()}
    fresh = start_weights(six, path)
    assert fresh == ["doubt.1.bias", "doubt.1.weight", "maps.bias", "maps.weight"]
    for name in fresh:
        known = len(five.state_dict()[name])
        assert torch.equal(six.state_dict()[name][:known], five.state_dict()[name].half().float())
        assert torch.equal(six.state_dict()[name][known:], drawn[name][known:])


def test_landmarks_taken_from_the_list_start_fresh(tmp_path):
    path = tmp_path / "six.safetensors"
    save_weights(LandmarkNetwork(6, blocks=1), path, {})
    five = LandmarkNetwork(5, blocks=1)
    drawn = five.maps.weight.clone()
    assert start_weights(five, path) == ["doubt.1.bias", "doubt.1.weight", "maps.bias", "maps.weight"]
    assert torch.equal(five.maps.weight, drawn)


def test_another_network_is_no_start(path):
    with pytest.raises(WeightsError, match=r"locator\.safetensors: made for another network"):
        start_weights(nn.Sequential(nn.Linear(2, 2)), path)

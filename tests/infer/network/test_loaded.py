"""What ONNX Runtime says of a picture is what torch says; a graph is that of its network; threads change nothing."""

import json
import os
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import onnx
import pytest
from PIL import Image
from torch import nn

from raysplay.infer.films.film import Film
from raysplay.infer.foot_reader import FootReader, _film_square
from raysplay.infer.network import graphs
from raysplay.infer.network.known_networks import known_networks
from raysplay.infer.network.loaded import load_network, picture_size
from raysplay.infer.network.torchvision_operators import resnet
from raysplay.infer.network.weights import kept_state
from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.network.weights_file import digest
from raysplay.infer.settings import reading_settings
from raysplay.infer.shipped_weights import of_network
from raysplay.infer.warp import crop
from raysplay.synthetic_data.film.compose import FilmRequest, compose_film
from raysplay.synthetic_data.film.settings import archive_settings
from raysplay.train.export_graph import export_graph

SETTINGS = reading_settings()
NETWORKS = {
    name: (of_network(name.removesuffix("_network") + ("s" if reads == graphs.LANDMARKS else "")), reads)
    for name, (reads, _) in known_networks(SETTINGS).items()
}
"""Weights that ship and what they read, by the name of the graph."""
PIXELS = 0.05
"""By how much a landmark may lie elsewhere, in pixels of the crop."""


@pytest.fixture(scope="module", params=list(NETWORKS))
def graph_name(request):
    return request.param


@pytest.fixture(scope="module")
def weights(graph_name):
    return NETWORKS[graph_name][0]


@pytest.fixture(scope="module")
def reads(graph_name):
    return NETWORKS[graph_name][1]


@pytest.fixture(scope="module")
def both(weights, reads):
    by_onnx = load_network(weights, reads, SETTINGS)
    assert by_onnx.runtime == "onnx"
    return by_onnx, load_network(weights, reads, SETTINGS, "torch", 1)


def test_every_network_of_a_reader_ships():
    of_readers = {of_network(name) for one in SETTINGS.readers.values() for name in (one.locator, one.landmarks)}
    assert {path for path, _ in NETWORKS.values()} == of_readers
    assert all(path.is_file() for path in of_readers)


@pytest.fixture(scope="module")
def pictures(reads):
    """Crops about generated feet, straight and askew, and pictures that show none."""
    size, rng = picture_size(reads, SETTINGS), np.random.default_rng(4)
    shown = [np.zeros(size, np.float32), np.full(size, 0.7, np.float32), rng.random(size, dtype=np.float32)]
    for seed, view in ((1, "dp"), (2, "dp"), (3, "oblique")):
        request = FilmRequest(layout="single", views=(view,), whole=True)
        shown += seen_of(compose_film([78, seed], archive_settings(), request).pixels, reads)
    return shown


def seen_of(pixels, reads):
    """What the network gets of a film: all of it, or every foot that is found, laid well and askew."""
    film, (rows, columns) = Film(Path("film.dcm"), np.ascontiguousarray(pixels, np.float32)), SETTINGS.crop_size
    if reads == graphs.LOCATOR:
        return [_film_square(film, SETTINGS.film_side)[0]]
    found = FootReader.shipped(threads=1).find(film)
    askew = np.array([[0.98, -0.1, 0.05 * columns], [0.1, 0.98, -0.03 * rows], [0, 0, 1.0]])
    return [
        crop(film.pixels, foot.film_from_crop @ turn, SETTINGS.crop_size)
        for foot in found
        for turn in (np.eye(3), askew)
    ]


def alike(ours, theirs):
    # Where a network sees no such landmark, two places of its map may be as likely, and rounding chooses.
    seen = theirs["confidence"] > 0 if "confidence" in theirs else None
    for name in theirs:
        if name in ("points", "spread"):
            assert np.abs(ours[name] - theirs[name])[seen].max(initial=0) < PIXELS
        else:
            np.testing.assert_allclose(ours[name], theirs[name], rtol=2e-3, atol=2e-3)


def test_both_runtimes_say_the_same(both, pictures):
    ours, theirs = both
    for picture in pictures:
        alike(ours.read(picture), theirs.read(picture))
    if "confidence" in (last := theirs.read(pictures[-2])):
        assert (last["confidence"] > 0).sum() > 20


@pytest.mark.open_films
@pytest.mark.skipif("RAYSPLAY_OPEN_FILMS" not in os.environ, reason="RAYSPLAY_OPEN_FILMS names no folder of open films")
def test_both_runtimes_say_the_same_of_real_films(both, reads):
    """Films of FracAtlas (see infer/weights/CREDITS.md), as they lie."""
    paths = sorted(path for path in Path(os.environ["RAYSPLAY_OPEN_FILMS"]).rglob("*.jp*g"))[::30]
    shown = [
        one for path in paths for one in seen_of(np.asarray(Image.open(path).convert("L"), np.float32) / 255, reads)
    ]
    assert len(shown) > 5
    for picture in shown:
        alike(both[0].read(picture), both[1].read(picture))


def test_numbers_do_not_depend_on_how_many_threads_read(both, pictures):
    """A film's bytes in the tables must not tell how many films were looked at beside it."""
    ours, _ = both
    alone = [ours.read(picture) for picture in pictures]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(ours.read, pictures * 3))
    for one, other in zip(alone * 3, together, strict=True):
        assert {name: value.tobytes() for name, value in one.items()} == {
            name: value.tobytes() for name, value in other.items()
        }


def test_digests_name_the_weights_file_and_the_graph(both, weights, graph_name):
    ours, theirs = both
    of_weights = {weights.name: digest(weights)}
    graph = f"{graph_name}.onnx"
    assert ours.digests == {**of_weights, graph: digest(graphs.FOLDER / graph)}
    assert theirs.digests == of_weights


def test_the_graph_that_ships_is_that_of_the_network(graph_name, reads, tmp_path):
    """A changed network must not go on being read by its older graph."""
    network = known_networks(SETTINGS)[graph_name][1]
    made = export_graph(network, reads, picture_size(reads, SETTINGS), tmp_path, graph_name)
    ours = json.loads((graphs.FOLDER / f"{graph_name}.json").read_text(encoding="ascii"))
    anew = json.loads(made.with_suffix(".json").read_text(encoding="ascii"))
    assert {**anew, "sha256": ""} == {**ours, "sha256": ""}
    kinds = [
        [node.op_type for node in onnx.load(path, load_external_data=False).graph.node]
        for path in (made, graphs.FOLDER / made.name)
    ]
    assert kinds[0] == kinds[1]
    assert anew["tensors"] == {name: list(one.shape) for name, one in kept_state(network).items()}


def test_operations_are_counted_as_published(tmp_path):
    """ResNet-18 at 224 pixels has 1.8 billion multiply-adds (He and others 2016, table 1)."""

    class Grey(nn.Module):
        def __init__(self):
            super().__init__()
            self.network = resnet.resnet18()

        def forward(self, images):
            return self.network(images[:, None].expand(-1, 3, -1, -1))

    path = export_graph(Grey(), graphs.LOCATOR, (224, 224), tmp_path, "resnet18")
    flops = json.loads(path.with_suffix(".json").read_text(encoding="ascii"))["flops"]
    assert flops / 2 == pytest.approx(1.8e9, rel=0.02)


def test_a_graph_holds_no_weights_and_tells_nothing_of_where_it_was_made():
    for path in graphs.FOLDER.glob("*.onnx"):
        content = path.read_bytes()
        assert len(content) < 200_000
        assert b"site-packages" not in content
        assert b"/" + b"home" not in content


def test_a_graph_that_was_exchanged_is_not_run(tmp_path, graph_name, reads):
    for path in graphs.FOLDER.glob(f"{graph_name}.*"):
        shutil.copy(path, tmp_path)
    tensors = json.loads((tmp_path / f"{graph_name}.json").read_text(encoding="ascii"))["tensors"]
    graph = graphs.fitting(reads, picture_size(reads, SETTINGS), tensors, (tmp_path,))
    assert graph is not None
    assert graph.content()
    with graph.path.open("ab") as file:
        file.write(b"\0")
    with pytest.raises(WeightsError, match="is not the graph that"):
        graph.content()


def test_pictures_of_another_size_have_no_graph(graph_name, weights, reads):
    rows, columns = picture_size(reads, SETTINGS)
    tensors = json.loads((graphs.FOLDER / f"{graph_name}.json").read_text(encoding="ascii"))["tensors"]
    assert graphs.fitting(reads, (rows, columns), tensors) is not None
    assert graphs.fitting(reads, (rows, columns + 16), tensors) is None
    changed = SETTINGS.model_copy(update={"crop_columns": SETTINGS.crop_columns + 16, "film_side": 400})
    with pytest.raises(WeightsError):
        load_network(weights, reads, changed, "onnx")
    assert load_network(weights, reads, changed).runtime == "torch"

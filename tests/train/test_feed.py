"""Batches from workers: what was cut arrives, in an order that the seed fixes; failures end the run."""

import dataclasses
import multiprocessing as mp
import os
import signal

import pytest
import torch

from raysplay.configs import load
from raysplay.train.feed import (
    Batch,
    FeedError,
    Source,
    WorkerFeed,
    _bytes_of,
    _pack,
    _tensors,
    _unpack,
    device_of,
    open_feed,
    worker_seed,
)
from raysplay.train.locator_batch import LocatorBatch
from raysplay.train.settings import TrainSettings

CPU = torch.device("cpu")


@pytest.fixture(scope="module")
def settings(coarse):
    """Two films a batch, from a pool of two feet a worker."""
    pool = coarse.model_copy(update={"size": 2, "projection_batch": 2, "refresh": 1.0, "view_shares": {"dp": 1.0}})
    few = {"device": "cpu", "batch": 2, "feed_workers": 2, "intensity_share": 0.0, "pool": pool}
    return load(TrainSettings, "train_locator.yaml").model_copy(update=few)


def consume(feed, count):
    for _ in range(count):
        feed.take()


def same(one: Batch, other: Batch):
    pairs = list(zip(_tensors(one), _tensors(other), strict=True))
    return all(a[:3] == b[:3] and torch.equal(a[3], b[3]) for a, b in pairs) and len(pairs) > 3


def test_a_batch_comes_out_of_its_slot_as_it_went_in():
    generator = torch.Generator().manual_seed(1)
    cell = torch.arange(9).reshape(3, 3)
    target = {
        "heat": torch.rand(2, 5, 5, generator=generator),
        "cell": cell,
        "left": torch.rand(3, generator=generator),
    }
    batch = Batch(films=LocatorBatch(torch.rand(2, 7, 7, generator=generator), target))
    slot = torch.zeros(_bytes_of(batch) + 64, dtype=torch.uint8)
    back = _unpack(slot, _pack(batch, slot), CPU)
    slot.zero_()
    assert back.landmarks is None
    # Places to the bit; grey values in half precision, whose step below 1 is 2^-11 (IEEE 754, binary16).
    for name, value in target.items():
        assert torch.equal(back.films.target[name], value)
    assert back.films.images.dtype == torch.float32
    torch.testing.assert_close(back.films.images, batch.films.images, rtol=0, atol=2**-12)


def test_a_batch_larger_than_its_slot_is_refused():
    batch = Batch(films=LocatorBatch(torch.rand(2, 7, 7), {"heat": torch.rand(2, 5, 5)}))
    with pytest.raises(ValueError, match="larger than its slot"):
        _pack(batch, torch.zeros(_bytes_of(batch) - 16, dtype=torch.uint8))


def test_seeds_of_workers_differ_and_stay():
    seeds = [worker_seed(seed, k) for seed in (1, 2) for k in range(8)]
    assert len(set(seeds)) == 16
    assert worker_seed(1, 3) == seeds[3]


def test_workers_give_in_turn_what_their_seeds_fix(settings):
    sources = [Source(settings, worker_seed(settings.seed, k), CPU) for k in range(2)]
    with open_feed(settings, CPU) as feed:
        for k in range(4):
            assert same(feed.take(), sources[k % 2].cut())
        assert feed.feet_projected >= 4
        assert feed.waited > 0
    assert mp.active_children() == []
    assert not feed._folder.exists()


@pytest.mark.parametrize("end", ["killed", "failed"])
def test_a_worker_that_ends_ends_the_run(settings, end, tmp_path):
    changes = {"feed_workers": 1} | ({"real_films": tmp_path / "none"} if end == "failed" else {})
    feed = WorkerFeed(settings.model_copy(update=changes), CPU)
    try:
        if end == "killed":
            feed.take()
            os.kill(feed._workers[0].process.pid, signal.SIGKILL)
        # What was cut before may still come.
        reason = r"exit code -9" if end == "killed" else r"RealFilmsError: .*none.*crops\.csv"
        with pytest.raises(FeedError, match=reason):
            consume(feed, 20)
    finally:
        feed.close()
    assert mp.active_children() == []


def test_an_error_in_the_loop_ends_the_workers(settings):
    def interrupted():
        with open_feed(settings.model_copy(update={"feed_workers": 1}), CPU):
            assert len(mp.active_children()) == 1
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert mp.active_children() == []


def test_every_tensor_of_a_batch_is_sent(settings):
    batch = Source(settings.model_copy(update={"feed_workers": 0}), 3, CPU).cut()
    sent = {(part, field, key) for part, field, key, _ in _tensors(batch)}
    assert {key for part, field, key in sent if field == "target"} == set(batch.films.target)
    assert {field for part, field, _ in sent} == {f.name for f in dataclasses.fields(LocatorBatch)}


@pytest.mark.parametrize(
    ("name", "gpu", "device"), [("auto", True, "cuda:0"), ("cuda", True, "cuda:0"), ("auto", False, "cpu")]
)
def test_a_gpu_always_has_its_number(name, gpu, device, monkeypatch):
    """torch.cuda.set_device takes no device without an index (torch documentation)."""
    monkeypatch.setattr(torch.cuda, "is_available", lambda: gpu)
    assert device_of(name) == torch.device(device)

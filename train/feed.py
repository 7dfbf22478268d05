"""Batches cut ahead of training, by processes of their own.

Projecting, exposing and spoiling a foot takes about as long as learning from it. ``feed_workers`` processes, each with
its own pool of feet and its own seed, cut batches into slots of shared memory; the loop takes them in turn, so that the
order of batches depends on the seed alone, however fast a worker is. With no worker batches are cut in the loop.
"""

from __future__ import annotations

import multiprocessing as mp
import queue
import shutil
import tempfile
import time
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, fields
from multiprocessing.synchronize import Event
from pathlib import Path
from typing import Any

import numpy as np
import torch
from torch import Tensor

from raysplay.configs.errors import RaysplayError
from raysplay.train.consistency import CropPairs, crop_pairs, unlabelled
from raysplay.train.degrade import draw_marks
from raysplay.train.intensity import Intensity
from raysplay.train.landmark_batch import LandmarkBatch, join, landmark_batch, real_batch
from raysplay.train.locator_batch import LocatorBatch, locator_batch
from raysplay.train.pool import Pool, end_with_parent
from raysplay.train.real_crops.real_films import load_real_crops
from raysplay.train.settings import TrainSettings

SLOTS = 4
"""Batches that each worker may be ahead."""

PATIENCE = 1.0
"""Seconds between looks at whether the other side still lives."""

FAREWELL = 20.0
"""Seconds that a worker has to end by itself."""


class FeedError(RaysplayError, RuntimeError):
    """A worker that failed; the message holds its own."""


@dataclass(frozen=True)
class Batch:
    """What one step learns from: ``landmarks`` and perhaps ``pairs``, or ``films``."""

    landmarks: LandmarkBatch | None = None
    pairs: CropPairs | None = None
    films: LocatorBatch | None = None


class Source:
    """A pool of feet and all that is needed to cut one batch after another from it; reproducible from the seed."""

    def __init__(self, settings: TrainSettings, seed: int, device: torch.device) -> None:
        self.settings = settings
        self.rng = np.random.default_rng(seed)
        self.generator = torch.Generator(device).manual_seed(seed)
        self.marks = draw_marks().to(device)
        self.intensity = Intensity(settings.intensity_share, seed) if settings.intensity_share > 0 else None
        self.real = load_real_crops(settings.real_films, device) if settings.real_films is not None else None
        self.pairs = self.real is not None and len(unlabelled(self.real)) > 0
        self.pool = Pool(settings.pool, seed, device)
        self.pool.fill(8 * settings.batch)

    def cut(self) -> Batch:
        """The next batch; then the feet that the pool is owed are projected."""
        s, common = self.settings, (self.rng, self.generator)
        if s.network.endswith("locator"):
            batch = Batch(films=locator_batch(self.pool, s.batch, *common, self.marks, self.intensity))
        else:
            real_count = round(s.batch * s.real_share) if self.real is not None else 0
            pair_count = round(s.batch * s.consistency_share) if self.pairs else 0
            drawn = s.batch - real_count - pair_count
            feet = landmark_batch(self.pool, drawn, *common, self.marks, self.intensity)
            pairs = None
            if self.real is not None and real_count:
                feet = join(feet, real_batch(self.real, real_count, *common, self.intensity))
            if self.real is not None and pair_count:
                pairs = crop_pairs(self.real, pair_count, *common, self.intensity)
            batch = Batch(landmarks=feet, pairs=pairs)
        self.pool.refresh()
        return batch


class Feed:
    """Batches for the loop, cut in the loop itself."""

    def __init__(self, settings: TrainSettings, device: torch.device) -> None:
        self._source = Source(settings, settings.seed, device)
        self.waited = 0.0

    @property
    def feet_projected(self) -> int:
        """Feet projected so far."""
        return self._source.pool.projected_count

    def take(self) -> Batch:
        """The next batch, on the training device. ``waited`` sums the seconds that this took."""
        since = time.monotonic()
        batch = self._source.cut()
        self.waited += time.monotonic() - since
        return batch

    def close(self) -> None:
        """End what runs beside the loop."""
        self._source.pool.close()


@dataclass
class _Worker:
    """One process and its slots as the loop sees them."""

    process: Any
    filled: Any
    free: Any
    ring: Tensor | None = None
    feet_projected: int = 0


class WorkerFeed(Feed):
    """Batches for the loop, cut by processes of their own."""

    def __init__(self, settings: TrainSettings, device: torch.device) -> None:
        self.waited = 0.0
        self._device = device
        self._folder = Path(tempfile.mkdtemp(prefix="raysplay-feed-", dir=_shared_folder()))
        context = mp.get_context("spawn")
        self._stop = context.Event()
        self._workers: list[_Worker] = []
        self._turn = 0
        devices = settings.feed_devices or (str(device),)
        for k in range(settings.feed_workers):
            filled, free = context.Queue(), context.Queue()
            # Not a daemon: it has processes of its own, which draw.
            process = context.Process(
                target=_work,
                args=(settings, k, devices[k % len(devices)], self._folder / str(k), filled, free, self._stop),
                name=f"feed worker {k}",
            )
            process.start()
            self._workers.append(_Worker(process, filled, free))

    @property
    def feet_projected(self) -> int:
        """Feet projected so far, by all workers."""
        return sum(worker.feet_projected for worker in self._workers)

    def take(self) -> Batch:
        """The next batch, on the training device.

        Raises
        ------
        FeedError
            If the worker whose turn it is has failed or died.
        """
        since = time.monotonic()
        worker = self._workers[self._turn]
        self._turn = (self._turn + 1) % len(self._workers)
        message = self._next(worker)
        if worker.ring is None:
            path, size = message
            worker.ring = _map(path, size)
            message = self._next(worker)
        slot, layout, worker.feet_projected = message
        batch = _unpack(worker.ring[slot], layout, self._device)
        worker.free.put(slot)
        self.waited += time.monotonic() - since
        return batch

    def _next(self, worker: _Worker) -> Any:
        while True:
            try:
                kind, content = worker.filled.get(timeout=PATIENCE)
            except queue.Empty:
                if not worker.process.is_alive():
                    code = worker.process.exitcode
                    raise FeedError(f"{worker.process.name} ended with exit code {code}") from None
                continue
            if kind == "failed":
                raise FeedError(f"{worker.process.name} failed:\n{content}")
            return content

    def close(self) -> None:
        """End the workers, by force those that do not end by themselves, and give the memory back."""
        self._stop.set()
        until = time.monotonic() + FAREWELL
        for worker in self._workers:
            # A process does not end before what it has sent is taken.
            while worker.process.is_alive() and time.monotonic() < until:
                try:
                    worker.filled.get(timeout=0.05)
                except queue.Empty:
                    worker.process.join(0.05)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()
            for channel in (worker.filled, worker.free):
                channel.cancel_join_thread()
                channel.close()
        shutil.rmtree(self._folder, ignore_errors=True)


@contextmanager
def open_feed(settings: TrainSettings, device: torch.device) -> Iterator[Feed]:
    """The feed that ``settings`` ask for; closed at the end, whatever ended the block."""
    feed = WorkerFeed(settings, device) if settings.feed_workers else Feed(settings, device)
    try:
        yield feed
    finally:
        feed.close()


def worker_seed(seed: int, worker: int) -> int:
    """Seed of one worker: one number, since a list would be taken for a foot of another run."""
    return int(np.random.SeedSequence([seed, worker + 1]).generate_state(1)[0])


def _work(
    settings: TrainSettings, number: int, device_name: str, path: Path, filled: Any, free: Any, stop: Event
) -> None:
    """Cut batches until told to stop: the life of a worker."""
    end_with_parent()
    torch.set_num_threads(1)
    source = None
    try:
        device = device_of(device_name)
        if device.type == "cuda":
            torch.cuda.set_device(device)
        source = Source(settings, worker_seed(settings.seed, number), device)
        batch = source.cut()
        size = (SLOTS, _aligned(_bytes_of(batch) * 5 // 4 + 2**20))
        ring = _map(path, size)
        filled.put(("ring", (path, size)))
        for slot in range(SLOTS):
            free.put(slot)
        while not stop.is_set():
            try:
                slot = free.get(timeout=PATIENCE)
            except queue.Empty:
                continue
            layout = _pack(batch, ring[slot])
            filled.put(("batch", (slot, layout, source.pool.projected_count)))
            batch = source.cut()
    except Exception:
        filled.put(("failed", traceback.format_exc()))
    finally:
        if source is not None:
            source.pool.close()


def device_of(name: str) -> torch.device:
    """The device of that name in the settings."""
    if name == "auto":
        name = "cuda" if torch.cuda.is_available() else "cpu"
    # A GPU without its number cannot be made the present one.
    return torch.device("cuda:0" if name == "cuda" else name)


# A batch lies in a slot tensor after tensor; its layout says where: part, field, key, type, shape, first byte.
Layout = list[tuple[str, str, str, torch.dtype, tuple[int, ...], int]]


def _tensors(batch: Batch) -> Iterator[tuple[str, str, str, Tensor]]:
    for part in fields(batch):
        content = getattr(batch, part.name)
        for field in fields(content) if content is not None else ():
            value = getattr(content, field.name)
            for key, tensor in value.items() if isinstance(value, dict) else [("", value)]:
                # Grey values need no more than half precision; places do.
                yield part.name, field.name, key, tensor.half() if field.name in _PICTURES else tensor


_PICTURES = ("images", "seen", "shown")


def _aligned(size: int) -> int:
    """Bytes up to the next place where a tensor of any type may begin."""
    return -(-size // 16) * 16


def _bytes_of(batch: Batch) -> int:
    return sum(_aligned(tensor.nbytes) for *_, tensor in _tensors(batch))


def _pack(batch: Batch, slot: Tensor) -> Layout:
    layout: Layout = []
    at = 0
    for part, field, key, tensor in _tensors(batch):
        if at + tensor.nbytes > len(slot):
            raise ValueError("a batch is larger than its slot")
        shape = tuple(tensor.shape)
        slot[at : at + tensor.nbytes].view(tensor.dtype).reshape(shape).copy_(tensor)
        layout.append((part, field, key, tensor.dtype, shape, at))
        at += _aligned(tensor.nbytes)
    return layout


def _unpack(slot: Tensor, layout: Layout, device: torch.device) -> Batch:
    """The batch of a slot, copied to the device; the slot may be filled again at once."""
    found: dict[str, dict[str, Any]] = {}
    # From locked memory the copy to a GPU runs beside what the GPU has yet to do.
    own = slot.pin_memory() if device.type == "cuda" else slot.clone()
    for part, field, key, dtype, shape, at in layout:
        size = int(np.prod(shape, dtype=np.int64)) * dtype.itemsize
        tensor = own[at : at + size].view(dtype).reshape(shape).to(device, non_blocking=True)
        tensor = tensor.float() if field in _PICTURES else tensor
        content = found.setdefault(part, {})
        if key:
            content.setdefault(field, {})[key] = tensor
        else:
            content[field] = tensor
    kinds = {"landmarks": LandmarkBatch, "pairs": CropPairs, "films": LocatorBatch}
    return Batch(**{part: kinds[part](**content) for part, content in found.items()})


def _shared_folder() -> str | None:
    """Memory-backed folder if it has room; containers often leave 64 MB there. Else the usual temporary one."""
    memory = Path("/dev/shm")
    roomy = memory.is_dir() and shutil.disk_usage(memory).free > 2 * 2**30
    return str(memory) if roomy else None


def _map(path: Path, size: tuple[int, int]) -> Tensor:
    """Bytes of a file, seen by every process that maps it."""
    return torch.from_file(str(path), shared=True, size=size[0] * size[1], dtype=torch.uint8).reshape(size)

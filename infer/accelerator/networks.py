"""Both networks on one device. Whoever asks waits for a batch; a batch always has the same shape."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor
from torch.nn.utils import convert_conv2d_weight_memory_format

from raysplay.infer.accelerator.accelerator_error import AcceleratorError
from raysplay.infer.accelerator.device import called, libraries
from raysplay.infer.accelerator.resampling import Resampler
from raysplay.infer.accelerator.settings import AcceleratorSettings, accelerator_settings
from raysplay.infer.accelerator.upload import Uploads
from raysplay.infer.network.by_torch import network_for
from raysplay.infer.network.graphs import FIELDS, LANDMARKS, LOCATOR, MAP, fitting
from raysplay.infer.network.loaded import picture_size
from raysplay.infer.network.weights_file import digest, read_weights
from raysplay.infer.settings import ReadingSettings, reading_settings

FloatArray = npt.NDArray[np.float64]
Fields = dict[str, npt.NDArray[Any]]

PRECISIONS = ("float32", "tf32", "float16")
"""Of the networks' sums: whole, products of ten bits, half precision."""

_UNDER_WAY = 2
"""Batches given to the device and not yet back: one computes while the other waits for it."""


@dataclass
class _Asked:
    film: Tensor
    matrix: FloatArray
    answer: Future[Fields] = field(default_factory=Future)


@dataclass
class _Batch:
    asked: list[_Asked]
    reads: str
    found: dict[str, Tensor]
    began: Any
    ended: Any


class AcceleratedNetworks:
    """Both networks of a reader on a device.

    A request waits until a batch of its network is put together: of whatever waits by then, up to ``batch`` pictures,
    filled up to ``batch``. Since every batch has the same shape, every picture goes through the same sums in the same
    order, whatever shares the batch and wherever it stands in it.

    Parameters
    ----------
    device : torch.device
    locator_weights, landmark_weights : Path
    settings : ReadingSettings, optional
    limits : AcceleratorSettings, optional
        Pictures in a batch, and how long one may take.
    precision : {'float32', 'tf32', 'float16'}
    channels_last : bool, optional
        How the device lays out features; as measured to be faster by default.

    Raises
    ------
    WeightsError
        If a weights file cannot be used.
    AcceleratorError
        If the device cannot hold the networks.
    """

    def __init__(
        self,
        device: torch.device,
        locator_weights: Path,
        landmark_weights: Path,
        settings: ReadingSettings | None = None,
        limits: AcceleratorSettings | None = None,
        precision: str = "float32",
        channels_last: bool = False,
    ) -> None:
        if precision not in PRECISIONS:
            raise ValueError(f"no such precision: {precision}")
        self.device, self._precision = device, precision
        settings, self._limits = settings or reading_settings(), limits or accelerator_settings()
        batch = self._limits.batch
        self.digests = {path.name: digest(path) for path in (locator_weights, landmark_weights)}
        self.about = {
            "accelerator": called(device),
            "precision": precision,
            "libraries": libraries(device),
            "pictures in a batch": str(batch),
        }
        layout = torch.channels_last if channels_last else torch.contiguous_format
        self._networks, self._resamplers, self._flops = {}, {}, {}
        try:
            for reads, weights in ((LOCATOR, locator_weights), (LANDMARKS, landmark_weights)):
                network = network_for(weights, reads, settings).to(device)
                self._networks[reads] = convert_conv2d_weight_memory_format(network, layout)
                size = picture_size(reads, settings)
                self._resamplers[reads] = Resampler(size, batch, device, outside_dark=reads == LOCATOR)
                graph = fitting(reads, size, {name: one.shape for name, one in read_weights(weights)[0].items()})
                self._flops[reads] = 0 if graph is None else graph.flops
        except RuntimeError as error:
            raise AcceleratorError(f"{device}: cannot hold the networks ({str(error).splitlines()[0]})") from error
        self._waiting: dict[str, deque[_Asked]] = {LOCATOR: deque(), LANDMARKS: deque()}
        self._news = threading.Condition()
        self._closed, self._failure = False, ""
        self._free = threading.Semaphore(_UNDER_WAY)
        self._launched: queue.SimpleQueue[_Batch | None] = queue.SimpleQueue()
        self._since: deque[float] = deque()
        self._spent = {"busy_seconds": 0.0}
        self._count = {LOCATOR: [0, 0], LANDMARKS: [0, 0]}
        self._began: float | None = None
        self._last = 0.0
        self._threads = [
            threading.Thread(target=self._launch, name="accelerator", daemon=True),
            threading.Thread(target=self._deliver, name="answers", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def ask(self, reads: str, film: Tensor, matrix: FloatArray) -> Future[Fields]:
        """Ask what a network sees in a picture of a film.

        Parameters
        ----------
        reads : {'landmarks', 'locator'}
        film : Tensor, shape (R, K)
            As :meth:`device_film` gives it.
        matrix : ndarray, shape (3, 3)
            Maps pixels of the picture to pixels of the film.

        Returns
        -------
        Future of dict
            ``map`` of the locator, or fields of the landmark network; AcceleratorError if the device is lost meanwhile.

        Raises
        ------
        AcceleratorError
            If the device is lost, or this was closed.
        """
        asked = _Asked(film, matrix)
        with self._news:
            if self._closed or self._failure:
                raise AcceleratorError(self._failure or "the accelerator was closed")
            if self._began is None:
                self._began = time.perf_counter()
            self._waiting[reads].append(asked)
            self._news.notify()
        return asked.answer

    def device_film(self, pixels: npt.NDArray[np.float32]) -> Tensor:
        """A film (rows, columns) on the device, for :meth:`ask`."""
        return Uploads(self.device).of(pixels)

    def overdue(self) -> bool:
        """Whether a batch takes longer than a device that works could need."""
        with contextlib.suppress(IndexError):
            return time.perf_counter() - self._since[0] > self._limits.batch_seconds
        return False

    def spent(self) -> dict[str, float]:
        """Since the first request: seconds until the last answer, seconds in which the device computed, batches and
        pictures of either network, multiplications and additions for these pictures."""
        wall = 0.0 if self._began is None else max(self._last - self._began, 0.0)
        counts = {
            f"{what}_{reads}": float(self._count[reads][k])
            for reads in self._count
            for k, what in enumerate(("batches", "pictures"))
        }
        asked = sum(self._count[reads][1] * self._flops[reads] for reads in self._count)
        return {**self._spent, "operations": float(asked), "wall_seconds": wall, **counts}

    def forget_spent(self) -> None:
        """Begin anew with what :meth:`spent` tells; while nobody waits."""
        self._began, self._last, self._spent["busy_seconds"] = None, 0.0, 0.0
        for counted in self._count.values():
            counted[:] = 0, 0

    def close(self) -> None:
        """End its threads; who still waits is told so."""
        self._fail("the accelerator was closed", closed=True)
        for thread in self._threads:
            thread.join(timeout=10.0)

    def _fail(self, said: str, *, closed: bool = False) -> None:
        with self._news:
            self._closed |= closed
            self._failure = self._failure or said
            left = [one for waiting in self._waiting.values() for one in waiting]
            for waiting in self._waiting.values():
                waiting.clear()
            self._news.notify_all()
        for one in left:
            one.answer.set_exception(AcceleratorError(self._failure))

    def _next(self) -> tuple[str, list[_Asked]] | None:
        """The fuller of both queues, as far as it fits into a batch; None once closed."""
        with self._news:
            while not (self._failure or any(self._waiting.values())):
                self._news.wait()
            if self._failure:
                return None
            reads = max(self._waiting, key=lambda one: len(self._waiting[one]))
            waiting = self._waiting[reads]
            return reads, [waiting.popleft() for _ in range(min(len(waiting), self._limits.batch))]

    def _launch(self) -> None:
        try:
            while True:
                self._free.acquire()  # first: meanwhile more films come for the batch
                taken = self._next()
                if taken is None:
                    return
                reads, asked = taken
                self._since.append(time.perf_counter())
                try:
                    batch = self._computed(reads, asked)
                except Exception as error:
                    self._lost(asked, error)
                    return
                self._launched.put(batch)
                del taken, asked, batch  # films stay no longer than they are needed
        finally:
            self._launched.put(None)

    @torch.inference_mode()
    def _computed(self, reads: str, asked: list[_Asked]) -> _Batch:
        began = self._mark()
        with self._as_precise():
            pictures = self._resamplers[reads].cut([one.film for one in asked], [one.matrix for one in asked])
            with torch.autocast(self.device.type, torch.float16, enabled=self._precision == "float16"):
                seen = self._networks[reads](pictures)
        fields = {name: getattr(seen, name) for name in FIELDS} if reads == LANDMARKS else {MAP: seen}
        found = {name: one.float().to("cpu", non_blocking=True) for name, one in fields.items()}
        return _Batch(asked, reads, found, began, self._mark())

    def _mark(self) -> Any:
        if self.device.type != "cuda":
            return time.perf_counter()
        event = torch.cuda.Event(enable_timing=True)  # type: ignore[no-untyped-call]
        event.record(torch.cuda.current_stream(self.device))
        return event

    @contextlib.contextmanager
    def _as_precise(self) -> Iterator[None]:
        if self.device.type != "cuda":
            yield
            return
        # The same algorithm for the same shape, not the one that was fastest in a trial.
        precise = {"benchmark": False, "deterministic": True, "allow_tf32": self._precision == "tf32"}
        with torch.cuda.device(self.device), torch.backends.cudnn.flags(enabled=True, **precise):
            yield

    def _deliver(self) -> None:
        while (batch := self._launched.get()) is not None:
            try:
                if self.device.type == "cuda":
                    batch.ended.synchronize()
                    seconds = batch.began.elapsed_time(batch.ended) / 1e3
                else:
                    seconds = batch.ended - batch.began
                found = {name: one.numpy() for name, one in batch.found.items()}
            except Exception as error:
                self._lost(batch.asked, error)
                continue
            self._since.popleft()
            self._free.release()
            self._last = time.perf_counter()
            self._spent["busy_seconds"] += seconds
            self._count[batch.reads][0] += 1
            self._count[batch.reads][1] += len(batch.asked)
            for k, one in enumerate(batch.asked):
                one.answer.set_result({name: values[k].copy() for name, values in found.items()})
            del batch, one, found

    def _lost(self, asked: list[_Asked], error: Exception) -> None:
        said = f"{self.device}: the accelerator failed ({(str(error).splitlines() or [type(error).__name__])[0]})"
        self._fail(said)
        for one in asked:
            one.answer.set_exception(AcceleratorError(said))
        self._free.release()

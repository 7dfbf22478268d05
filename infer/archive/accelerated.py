"""Reads films in several processes of this machine that share the networks on one accelerator."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

from raysplay.infer.accelerator.accelerator_process import AcceleratorProcess
from raysplay.infer.accelerator.settings import accelerator_settings
from raysplay.infer.archive.job import Answer, Job, Reading
from raysplay.infer.archive.pool import Pool
from raysplay.infer.foot_reader import FootReader, usable_cores


class Accelerated:
    """An engine (:class:`~raysplay.infer.archive.job.Engine`): reading processes around one accelerator.

    Decoding, geometry and pictures are theirs, networks and resampling the accelerator's, whose batches hold feet of as
    many films as wait for it.

    Parameters
    ----------
    device : str
        As :func:`~raysplay.infer.accelerator.device.device_of` takes it.
    reading : Reading
    workers : int, optional
        Reading processes; by default some more than cores, since some always wait for the accelerator.

    Raises
    ------
    AcceleratorError, EngineError, WeightsError
        If the accelerator, the processes or the weights cannot be used.
    """

    here = True

    def __init__(self, device: str, reading: Reading, workers: int | None = None) -> None:
        self._accelerator = AcceleratorProcess(device, *FootReader.weights_by_landmarks(reading.landmark_weights))
        try:
            wanted = workers or math.ceil(usable_cores() * accelerator_settings().more_workers)
            self._pool = Pool(replace(reading, accelerator=self._accelerator.address), wanted)
        except BaseException:
            self._accelerator.close()
            raise
        self.digests, self.key = self._pool.digests, self._pool.key

    @property
    def machine(self) -> dict[str, str | int]:
        """What last digits depend on, and how busy the accelerator was so far."""
        spent, busy = self._accelerator.spent(), {}
        if wall := spent.get("wall_seconds"):
            busy = {
                "accelerator_busy_percent": round(100 * spent["busy_seconds"] / wall),
                "accelerator_gigaflop_per_second": round(spent["operations"] / wall / 1e9),
            }
        return {**self._pool.machine, **{_KEYS[name]: said for name, said in self._accelerator.about.items()}, **busy}

    def told(self) -> str:
        """What bounded the run, as far as the accelerator can tell, in a sentence; empty if nothing was read."""
        spent, about = self._accelerator.spent(), self._accelerator.about
        if not (wall := spent.get("wall_seconds")):
            return ""
        batches = spent["batches_locator"] + spent["batches_landmarks"]
        pictures = spent["pictures_locator"] + spent["pictures_landmarks"]
        busy = spent["busy_seconds"] / wall
        return (
            f"{about['accelerator']} computed {busy:.0%} of the time, {pictures / batches:.1f} pictures in a batch of "
            f"{about['pictures in a batch']}: "
            + ("it bounded the run." if busy > _BOUND else "it waited for the processes that decode, measure and draw.")
        )

    def read(self, jobs: Iterator[Job], person_key: str) -> Iterator[tuple[Job, Answer]]:
        """Every file, as soon as it is done.

        Raises
        ------
        EngineError
            If the accelerator is gone, or a process cannot be started any more.
        """
        return self._pool.read(jobs, person_key)

    def close(self) -> None:
        """End all processes."""
        self._pool.close()
        self._accelerator.close()


_BOUND = 0.8
"""Share of the time from which on a device that computes is what the others wait for."""

_KEYS = {
    "accelerator": "accelerator",
    "precision": "accelerator_precision",
    "libraries": "accelerator_libraries",
    "pictures in a batch": "accelerator_batch",
}
"""Keys of ``run.json`` for what an accelerator says of itself."""

"""Networks on an accelerator, asked by threads of the process that holds them."""

from __future__ import annotations

import threading
import weakref
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from torch import Tensor

from raysplay.infer.accelerator.device import device_of
from raysplay.infer.accelerator.looking import FloatArray, Pixels
from raysplay.infer.accelerator.networks import AcceleratedNetworks
from raysplay.infer.accelerator.upload import Uploads
from raysplay.infer.network.graphs import LANDMARKS, LOCATOR, MAP


class _Held(threading.local):
    """The film of this thread that lies on the device."""

    pixels: weakref.ref[Pixels] | None = None
    film: Tensor | None = None
    uploads: Uploads | None = None


class InThisProcess:
    """What looks at films (:class:`~raysplay.infer.accelerator.looking.LooksAtFilms`) on a device of this process.

    Parameters
    ----------
    networks : AcceleratedNetworks
    at_once : int
        Threads that ask at once.
    """

    def __init__(self, networks: AcceleratedNetworks, at_once: int) -> None:
        self.networks, self.at_once = networks, at_once
        self.digests, self.about = networks.digests, networks.about
        self._held = _Held()

    @classmethod
    def on(cls, device: str, locator_weights: Path, landmark_weights: Path, at_once: int) -> InThisProcess:
        """The networks of these weights on the device of that name.

        Raises
        ------
        AcceleratorError, WeightsError
            If the device or a weights file cannot be used.
        """
        return cls(AcceleratedNetworks(device_of(device), locator_weights, landmark_weights), at_once)

    def locate(self, pixels: Pixels, film_from_square: FloatArray) -> npt.NDArray[np.float32]:
        """As :meth:`LooksAtFilms.locate` says; AcceleratorError if the device is lost."""
        found: npt.NDArray[np.float32] = self.networks.ask(LOCATOR, self._film(pixels), film_from_square).result()[MAP]
        return found

    def landmarks(self, pixels: Pixels, film_from_crop: FloatArray) -> dict[str, npt.NDArray[Any]]:
        """As :meth:`LooksAtFilms.landmarks` says; AcceleratorError if the device is lost."""
        return self.networks.ask(LANDMARKS, self._film(pixels), film_from_crop).result()

    def _film(self, pixels: Pixels) -> Tensor:
        held = self._held
        if held.film is None or held.pixels is None or held.pixels() is not pixels:
            if held.uploads is None:
                held.uploads = Uploads(self.networks.device)
            held.film, held.pixels = held.uploads.of(pixels), weakref.ref(pixels)
        return held.film

"""Networks on an accelerator that another process of this machine holds."""

from __future__ import annotations

import json
import socket
import weakref
from typing import Any

import numpy as np
import numpy.typing as npt

from raysplay.infer.accelerator import wire
from raysplay.infer.accelerator.accelerator_error import AcceleratorError
from raysplay.infer.accelerator.looking import FloatArray, Pixels
from raysplay.infer.network.graphs import MAP

_GONE = "the process with the accelerator is gone: the device failed, took too long, or it was ended"
_BUFFER_BYTES = 1 << 22


class FromAfar:
    """What looks at films (:class:`~raysplay.infer.accelerator.looking.LooksAtFilms`) in another process; one thread.

    Parameters
    ----------
    address : str
        Path of the socket on which :mod:`~raysplay.infer.accelerator.serving` listens.

    Raises
    ------
    AcceleratorError
        If nobody listens there.
    """

    at_once = 1

    def __init__(self, address: str) -> None:
        try:
            self._connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            self._connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _BUFFER_BYTES)
            self._connection.connect(address)
        except (OSError, AttributeError) as error:
            raise AcceleratorError(_GONE) from error
        served = json.loads(bytes(self._asked(wire.ABOUT)))
        self.digests: dict[str, str] = served["digests"]
        self.about: dict[str, str] = served["about"]
        self._fields: dict[str, list[int]] = served["landmarks"]
        self._map: dict[str, list[int]] = served["map"]
        self._held: weakref.ref[Pixels] | None = None

    def locate(self, pixels: Pixels, film_from_square: FloatArray) -> npt.NDArray[np.float32]:
        """As :meth:`LooksAtFilms.locate` says; AcceleratorError if the other process is gone."""
        self._send(pixels)
        return wire.unpacked(self._asked(wire.LOCATE, film_from_square), self._map)[MAP]

    def landmarks(self, pixels: Pixels, film_from_crop: FloatArray) -> dict[str, npt.NDArray[Any]]:
        """As :meth:`LooksAtFilms.landmarks` says; AcceleratorError if the other process is gone."""
        self._send(pixels)
        return wire.unpacked(self._asked(wire.LANDMARKS, film_from_crop), self._fields)

    def close(self) -> None:
        """Leave."""
        self._connection.close()

    def _send(self, pixels: Pixels) -> None:
        if self._held is not None and self._held() is pixels:
            return
        self._held = None
        self._asked(wire.FILM, np.ascontiguousarray(pixels, np.float32), pixels.shape)
        self._held = weakref.ref(pixels)

    def _asked(
        self, kind: bytes, content: npt.NDArray[Any] | None = None, shape: tuple[int, ...] = (0, 0)
    ) -> memoryview:
        try:
            self._connection.sendall(wire.REQUEST.pack(kind, *shape))
            if content is not None:
                self._connection.sendall(np.ascontiguousarray(content).data.cast("B"))
            head = memoryview(bytearray(wire.ANSWER.size))
            if not wire.received(self._connection, head):
                raise EOFError
            how, length = wire.ANSWER.unpack(head)
            said = memoryview(bytearray(length))
            if not wire.received(self._connection, said):
                raise EOFError
        except (OSError, EOFError) as error:
            raise AcceleratorError(_GONE) from error
        if how == wire.NO_ROOM:
            raise MemoryError("the film does not fit into the memory of the accelerator")
        if how != wire.DONE:
            raise AcceleratorError(bytes(said).decode("utf-8", "replace"))
        return said

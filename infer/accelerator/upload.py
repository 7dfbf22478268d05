"""Brings films to a device, beside whatever it computes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor


class Uploads:
    """One film after another, from one thread.

    Memory of the host that they pass through is kept, as large as the largest film, and locked, so that the device
    fetches by itself.

    Parameters
    ----------
    device : torch.device
    """

    def __init__(self, device: torch.device) -> None:
        self._device = device
        self._stream = torch.cuda.Stream(device) if device.type == "cuda" else None  # type: ignore[no-untyped-call]
        self._room: Tensor | None = None

    def room(self, rows: int, columns: int) -> npt.NDArray[np.float32]:
        """Where the next film is to be written; what was there is lost."""
        needed = rows * columns
        if self._room is None or self._room.numel() < needed:
            self._room = None  # before more is taken
            self._room = torch.empty(needed, dtype=torch.float32, pin_memory=self._stream is not None)
        written: npt.NDArray[np.float32] = self._room[:needed].view(rows, columns).numpy()
        return written

    def sent(self, written: npt.NDArray[np.float32]) -> Tensor:
        """The film that was written into :meth:`room`, on the device.

        Raises
        ------
        MemoryError
            If it does not fit there.
        """
        host = torch.from_numpy(written)
        try:
            if self._stream is None:
                return host.to(self._device, copy=True)
            with torch.cuda.stream(self._stream):
                film = host.to(self._device, non_blocking=True)
            self._stream.synchronize()
            return film
        except torch.OutOfMemoryError as error:
            raise MemoryError("the film does not fit into the memory of the accelerator") from error

    def of(self, pixels: npt.NDArray[np.float32]) -> Tensor:
        """A film (rows, columns) on the device.

        Raises
        ------
        MemoryError
            If it does not fit there.
        """
        room = self.room(*pixels.shape)
        np.copyto(room, pixels)
        return self.sent(room)

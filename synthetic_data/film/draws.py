"""Numbers drawn on the processor, sent to where the pictures are without waiting for them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import torch
from torch import Tensor


def send(values: npt.ArrayLike, device: torch.device | str, trailing: int = 2) -> Tensor:
    """``values`` as float32 on ``device``, with ``trailing`` axes of length 1 behind, to multiply pictures by.

    Parameters
    ----------
    values : array_like, shape (...)
    device : torch.device or str
    trailing : int

    Returns
    -------
    Tensor of float32, shape (..., 1, ..., 1)
    """
    flat = torch.from_numpy(np.ascontiguousarray(values, np.float32))
    sent = flat.to(device, non_blocking=True)
    return sent.reshape(*sent.shape, *(1,) * trailing)


def send_index(chosen: npt.NDArray[np.int64], device: torch.device | str) -> Tensor:
    """Numbers of the films in ``chosen`` for indexing on ``device``."""
    return torch.from_numpy(np.ascontiguousarray(chosen, np.int64)).to(device, non_blocking=True)


def some(rng: np.random.Generator, count: int, share: float) -> npt.NDArray[np.int64]:
    """Numbers of the films of a batch that fall in a ``share`` of 0..1.

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
        Films of the batch.
    share : float

    Returns
    -------
    ndarray of int, shape (K,)
        Rising.
    """
    return np.nonzero(rng.random(count) < share)[0]

"""A small network over square pieces of a picture, in numpy alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Self

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.network.weights_file import read_weights

PATCH = 28
"""Side of what a network sees, in pixels."""

FloatArray = npt.NDArray[np.float32]
Shapes = Mapping[str, tuple[int, ...]]

_AT_ONCE = 256
"""Patches; bounds memory."""


def shapes(first: int, second: int, third: int, hidden: int, out: int) -> Shapes:
    """Shapes of the layers' weights by how many each has; each has a bias as long as its first number."""
    return {
        "first.weight": (first, 1, 3, 3),
        "second.weight": (second, first, 3, 3),
        "third.weight": (third, second, 3, 3),
        "hidden.weight": (hidden, third * (PATCH // 8) ** 2),
        "out.weight": (out, hidden),
    }


@dataclass(frozen=True)
class PatchNetwork:
    """Three layers of 3 x 3 with the largest of 2 x 2 kept after each, and two full ones."""

    weights: dict[str, FloatArray]

    network: ClassVar[str]
    """The name in its weights file."""
    shapes: ClassVar[Shapes]

    @classmethod
    def read(cls, path: Path) -> Self:
        """The network of a weights file.

        Raises
        ------
        WeightsError
            If the file is missing, damaged or made for another network.
        """
        stored, about = read_weights(path)
        wanted = dict(cls.shapes) | {name.replace("weight", "bias"): shape[:1] for name, shape in cls.shapes.items()}
        if about.get("network") != cls.network or {name: one.shape for name, one in stored.items()} != wanted:
            raise WeightsError(f"{path.name}: made for another network")
        return cls({name: np.asarray(one, np.float32) for name, one in stored.items()})

    def read_patches(self, patches: FloatArray) -> npt.NDArray[np.float64]:
        """Probability of each of what the network knows, upright, and of everything else.

        Parameters
        ----------
        patches : ndarray of float32, shape (N, PATCH, PATCH)
            Grey values 0..1.

        Returns
        -------
        ndarray, shape (N, K)
        """
        parts = [self._shares(patches[first : first + _AT_ONCE]) for first in range(0, len(patches), _AT_ONCE)]
        return np.concatenate(parts) if parts else np.empty((0, self.shapes["out.weight"][0]))

    def _shares(self, patches: FloatArray) -> npt.NDArray[np.float64]:
        seen = np.ascontiguousarray(patches, np.float32)[:, None]
        for layer in ("first", "second", "third"):
            seen = _halved(self._convolved(layer, seen))
        flat = np.maximum(self._full("hidden", seen.reshape(len(seen), -1)), 0)
        logits = self._full("out", flat).astype(np.float64)
        parts = np.exp(logits - logits.max(1, keepdims=True))
        shares: npt.NDArray[np.float64] = parts / parts.sum(1, keepdims=True)
        return shares

    def _convolved(self, layer: str, seen: FloatArray) -> FloatArray:
        weight = self.weights[f"{layer}.weight"]
        count, inputs, rows, columns = seen.shape
        padded = np.zeros((count, inputs, rows + 2, columns + 2), dtype=np.float32)
        padded[:, :, 1:-1, 1:-1] = seen
        # What each of the nine weights sees: (count, inputs, 3, 3, rows, columns).
        shifted = sliding_window_view(padded, (rows, columns), axis=(2, 3))
        result = weight.reshape(len(weight), -1) @ shifted.reshape(count, inputs * 9, rows * columns)
        result += self.weights[f"{layer}.bias"][:, None]
        shown: FloatArray = np.maximum(result, 0, out=result).reshape(count, len(weight), rows, columns)
        return shown

    def _full(self, layer: str, seen: FloatArray) -> FloatArray:
        result: FloatArray = seen @ self.weights[f"{layer}.weight"].T + self.weights[f"{layer}.bias"]
        return result


def _halved(seen: FloatArray) -> FloatArray:
    """The largest of every 2 x 2; an odd row or column at the end is left out."""
    rows, columns = (side // 2 * 2 for side in seen.shape[2:])
    across = np.maximum(seen[:, :, :rows, 0:columns:2], seen[:, :, :rows, 1:columns:2])
    result: FloatArray = np.maximum(across[:, :, 0::2], across[:, :, 1::2])
    return result

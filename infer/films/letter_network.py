"""The small network that tells an upright L or R from everything else, in numpy alone."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from raysplay.infer.network.weights_error import WeightsError
from raysplay.infer.network.weights_file import read_weights

LETTERS = ("L", "R")
"""In the order of the network's output; what follows them is everything else."""

PATCH = 28
"""Side of what the network sees, in pixels."""

NETWORK = "side_letters"
"""The name in its weights file."""

FloatArray = npt.NDArray[np.float32]

SHAPES = {
    "first.weight": (8, 1, 3, 3),
    "second.weight": (16, 8, 3, 3),
    "third.weight": (32, 16, 3, 3),
    "hidden.weight": (48, 288),
    "out.weight": (3, 48),
}
"""Of its layers; each has a bias as long as its first number."""


@dataclass(frozen=True)
class LetterNetwork:
    """Three layers of 3 x 3 with the largest of 2 x 2 kept after each, and two full ones."""

    weights: dict[str, FloatArray]

    @classmethod
    def read(cls, path: Path) -> LetterNetwork:
        """The network of a weights file.

        Raises
        ------
        WeightsError
            If the file is missing, damaged or made for another network.
        """
        stored, about = read_weights(path)
        wanted = dict(SHAPES) | {name.replace("weight", "bias"): shape[:1] for name, shape in SHAPES.items()}
        if about.get("network") != NETWORK or {name: one.shape for name, one in stored.items()} != wanted:
            raise WeightsError(f"{path.name}: made for another network")
        return cls({name: np.asarray(one, np.float32) for name, one in stored.items()})

    def read_patches(self, patches: FloatArray) -> npt.NDArray[np.float64]:
        """Probability of each of :data:`LETTERS`, upright, and of everything else.

        Parameters
        ----------
        patches : ndarray of float32, shape (N, PATCH, PATCH)
            Grey values 0..1.

        Returns
        -------
        ndarray, shape (N, 3)
        """
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

"""What looks at films on an accelerator, in this process or from another one."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Pixels = npt.NDArray[np.float32]


class LooksAtFilms(Protocol):
    """Both networks and the resampling in front of them.

    Every thread that asks has one film there at a time; the next takes its place. Who else asks meanwhile has no part
    in an answer.
    """

    @property
    def digests(self) -> dict[str, str]:
        """SHA-256 of the weights by name."""

    @property
    def about(self) -> dict[str, str]:
        """What last digits depend on besides the film: device, precision, libraries, batch; in words."""

    @property
    def at_once(self) -> int:
        """How many threads may ask at once."""

    def locate(self, pixels: Pixels, film_from_square: FloatArray) -> npt.NDArray[np.float32]:
        """The locator's map of a film (rows, columns) in the square that the matrix (3, 3) lays over it."""

    def landmarks(self, pixels: Pixels, film_from_crop: FloatArray) -> dict[str, npt.NDArray[Any]]:
        """Fields of the landmark network for the crop that the matrix (3, 3) lays over a film (rows, columns)."""

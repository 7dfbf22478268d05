"""Squares and crops of films on a device: :func:`raysplay.infer.warp.crop` in torch, for a batch of one size."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import torch
import torch.nn.functional as F  # noqa: N812
from torch import Tensor

from raysplay.infer.warp import averaged_by, spans_under

FloatArray = npt.NDArray[np.float64]


class Resampler:
    """Cuts pictures of one size out of films, always ``batch`` at once.

    Parameters
    ----------
    size : (rows, columns)
    batch : int
    device : torch.device
    outside_dark : bool
        Whether pixels beyond the film are 0; else they repeat its edge.
    """

    def __init__(self, size: tuple[int, int], batch: int, device: torch.device, *, outside_dark: bool) -> None:
        rows, columns = size
        self._size, self._batch, self._device, self._outside_dark = size, batch, device, outside_dark
        self._x = torch.arange(columns, dtype=torch.float64, device=device)[None, None, :]
        self._y = torch.arange(rows, dtype=torch.float64, device=device)[None, :, None]
        self._pictures = torch.zeros((batch, rows, columns), device=device)

    def cut(self, films: Sequence[Tensor], film_from_picture: Sequence[FloatArray]) -> Tensor:
        """Pictures of films.

        Parameters
        ----------
        films : sequence of Tensor, each (R, K)
            Of single precision on the device; no more than ``batch``.
        film_from_picture : sequence of ndarray, each (3, 3)
            Map pixels of the picture to pixels of the film.

        Returns
        -------
        Tensor, shape (batch, rows, columns)
            Places without a film hold what they held before. The next call writes over it.
        """
        small: list[Tensor] = []
        # From pixels of the picture to those of the reduced window, in the library's coordinates; then to the film's.
        laid = np.zeros((self._batch, 2, 3))
        on_film, extent = np.zeros((self._batch, 2, 3)), np.ones((self._batch, 2))
        for k, (film, matrix) in enumerate(zip(films, film_from_picture, strict=True)):
            factor = averaged_by(matrix)
            (left, right), (top, bottom) = spans_under(tuple(film.shape), matrix, self._size, factor)
            reduced = shrunk(film[top:bottom, left:right], factor)
            middle = (factor - 1) / 2
            film_from_small = np.array([[factor, 0, left + middle], [0, factor, top + middle], [0, 0, 1.0]])
            small_from_picture = np.linalg.inv(film_from_small) @ matrix
            # -1 and 1 are the outer edges of the outer pixels there.
            sides = np.array([reduced.shape[1], reduced.shape[0]])
            laid[k] = 2 * small_from_picture[:2] / sides[:, None]
            laid[k, :, 2] += 1 / sides - 1
            on_film[k], extent[k] = matrix[:2], (film.shape[1], film.shape[0])
            small.append(reduced)
        grid = self._at(laid).to(torch.float32)
        for k, reduced in enumerate(small):
            self._pictures[k] = F.grid_sample(
                reduced[None, None], grid[k : k + 1], mode="bilinear", padding_mode="border", align_corners=False
            )[0, 0]
        if self._outside_dark:
            place = self._at(on_film)
            beyond = self._sent(extent - 0.5)[:, None, None]
            inside = ((place >= -0.5) & (place < beyond)).all(-1)
            self._pictures.mul_(inside)
        return self._pictures

    def _at(self, matrices: FloatArray) -> Tensor:
        """Where (batch, rows, columns, 2) matrices (batch, 2, 3) take the pixels, in double precision."""
        m = self._sent(matrices)[:, :, :, None, None]
        # Sums and products of single numbers: a product of matrices might sum otherwise in another batch.
        return torch.stack([m[:, k, 0] * self._x + (m[:, k, 1] * self._y + m[:, k, 2]) for k in (0, 1)], dim=-1)

    def _sent(self, numbers: FloatArray) -> Tensor:
        """Numbers on the device, without waiting for what it still computes."""
        host = torch.from_numpy(numbers)
        return host.pin_memory().to(self._device, non_blocking=True) if self._device.type == "cuda" else host


def shrunk(image: Tensor, factor: int) -> Tensor:
    """Mean of blocks of ``factor`` x ``factor`` pixels; edges are repeated to fill the last block.

    As :func:`raysplay.infer.warp.shrink`.
    """
    if factor == 1:
        return image
    rows, columns = image.shape
    whole = image[None, None]
    if rows % factor or columns % factor:
        whole = F.pad(whole, (0, -columns % factor, 0, -rows % factor), mode="replicate")
    return F.avg_pool2d(whole, factor)[0, 0]

"""Intensity side of augmentation with albumentations; geometry is never left to it.

Its geometric transforms move points by up to a pixel against their own convention, so every geometric change is
one 3 x 3 matrix of ours (``infer/warp.py``) and only grey values are changed here.
"""

from __future__ import annotations

import importlib.util
import os
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import torch
from torch import Tensor

os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")


def require_albumentations() -> None:
    """See that the library of the extra ``train`` is there, without the time that its import takes.

    Raises
    ------
    ModuleNotFoundError
        If it is not.
    """
    if importlib.util.find_spec("albumentations") is None:
        raise ModuleNotFoundError("No module named 'albumentations'", name="albumentations")


def build(seed: int) -> Any:
    """The chain of grey-value changes: compression, local equalisation, sharpening, noise, curves, loss of bits."""
    import albumentations as A  # noqa: N812

    return A.Compose(
        [
            A.OneOf(
                [
                    A.CLAHE(clip_limit=(1.0, 4.0), tile_grid_size=(6, 6)),
                    A.Sharpen(alpha=(0.1, 0.5)),
                    A.UnsharpMask(),
                ],
                p=0.5,
            ),
            A.OneOf(
                [
                    A.MotionBlur(blur_limit=(3, 5), allow_shifted=False, direction_range=(0, 0)),
                    A.GaussianBlur(blur_limit=(3, 5)),
                    A.MedianBlur(3),
                ],
                p=0.25,
            ),
            A.OneOf(
                [A.RandomGamma((60, 160)), A.RandomBrightnessContrast(0.2, 0.3), A.RandomToneCurve(0.2)],
                p=0.5,
            ),
            A.OneOf(
                [A.GaussNoise(std_range=(0.01, 0.06)), A.MultiplicativeNoise((0.92, 1.08), elementwise=True)],
                p=0.35,
            ),
            A.Posterize(num_bits=(4, 6), p=0.08),
            A.ImageCompression(quality_range=(25, 90), p=0.6),
        ],
        seed=seed,
    )


class Intensity:
    """Changes grey values of a share of a batch on the CPU while the rest passes untouched."""

    def __init__(self, share: float, seed: int, threads: int = 8) -> None:
        self.share, self.seed = share, seed
        self._chains = [build(seed + k) for k in range(threads)]
        self._pool = ThreadPoolExecutor(threads)

    def __call__(self, images: Tensor, rng: np.random.Generator) -> Tensor:
        """Apply to (B, R, C) grey values 0..1."""
        chosen = np.nonzero(rng.random(len(images)) < self.share)[0]
        if len(chosen) == 0:
            return images
        where = torch.as_tensor(chosen, device=images.device)
        pictures = (images[where].clamp(0, 1) * 255).round().to(torch.uint8).cpu().numpy()

        def work(lane: int) -> list[tuple[int, np.ndarray]]:
            chain = self._chains[lane]
            return [(k, chain(image=pictures[k])["image"]) for k in range(lane, len(pictures), len(self._chains))]

        done = np.empty_like(pictures)
        for part in self._pool.map(work, range(len(self._chains))):
            for k, picture in part:
                done[k] = picture
        changed = torch.from_numpy(done).to(images.device, torch.float32) / 255
        return images.index_copy(0, where, changed.to(images.dtype))

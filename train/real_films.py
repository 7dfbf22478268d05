"""Real crops beside the generated ones: films with a known view, some with landmarks.

A folder made by ``gather_real_crops`` holds one crop a foot (wider than the network's crop, so that it can
be laid anew) and ``crops.csv`` with crop, film and view, and optionally a column for each condition (yes, no, or
empty where it is not known); landmarks of feet that have them are in ``landmarks.csv`` (crop, landmark, x, y in pixels
of the stored crop).
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import torch
from PIL import Image
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.infer.network.landmark_network import CONDITIONS, VIEWS

MARGIN = 64
"""Pixels that a stored crop reaches beyond the network's crop on every side."""


class RealFilmsError(ValueError):
    """A folder of real crops that cannot be used; the message names the file and the reason."""


@dataclass(frozen=True)
class RealCrops:
    """Stored crops on the training device.

    ``images`` (N, R, C) uint8; ``points`` (N, L, 2) in stored-crop pixels; ``known`` (N, L) where a landmark is given;
    ``view`` (N,) numbers in ``VIEWS``; ``conditions`` (N, K) 1 or 0, nan where not known.
    """

    images: Tensor
    points: Tensor
    known: Tensor
    view: Tensor
    conditions: Tensor

    def __len__(self) -> int:
        return len(self.images)


_ANSWERS = {"yes": 1.0, "no": 0.0, "": float("nan")}


def load_real_crops(folder: Path, device: torch.device) -> RealCrops:
    """Read a folder of real crops.

    Raises
    ------
    RealFilmsError
        If a table or a picture is missing or does not fit.
    """
    schema = landmark_schema()
    table = folder / "crops.csv"
    try:
        rows = list(csv.DictReader(table.read_text(encoding="utf-8").splitlines()))
        pictures = [np.asarray(Image.open(folder / "crops" / row["crop"]).convert("L")) for row in rows]
        view = [VIEWS.index(row["view"]) for row in rows]
        conditions = [[_ANSWERS[row.get(c) or ""] for c in CONDITIONS] for row in rows]
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise RealFilmsError(f"{table}: {error}") from error
    if not rows or len({p.shape for p in pictures}) != 1:
        raise RealFilmsError(f"{table}: needs at least one crop, all of one size")
    points = np.zeros((len(rows), len(schema), 2), np.float32)
    known = np.zeros((len(rows), len(schema)), bool)
    number = {row["crop"]: k for k, row in enumerate(rows)}
    landmarks = folder / "landmarks.csv"
    if landmarks.exists():
        try:
            for row in csv.DictReader(landmarks.read_text(encoding="utf-8").splitlines()):
                k, j = number[row["crop"]], schema.index(row["landmark"])
                points[k, j] = float(row["x"]), float(row["y"])
                known[k, j] = True
        except (KeyError, TypeError, ValueError) as error:
            raise RealFilmsError(f"{landmarks}: {error}") from error
    return RealCrops(
        torch.from_numpy(np.stack(pictures)).to(device),
        torch.from_numpy(points).to(device),
        torch.from_numpy(known).to(device),
        torch.tensor(view, device=device),
        torch.tensor(conditions, device=device),
    )

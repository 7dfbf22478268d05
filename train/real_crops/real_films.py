"""Real crops beside the generated ones: films with a known view, some with landmarks.

A folder made by ``real_crops.gather`` holds one crop a foot (wider than the network's crop, so that it can
be laid anew) and ``crops.csv`` with crop, film and view, and optionally a column for each condition (yes, no, or
empty where it is not known); landmarks of feet that have them are in ``landmarks.csv`` (crop, landmark, x, y in pixels
of the stored crop).
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import torch
from PIL import Image
from torch import Tensor

from raysplay.configs import landmark_schema
from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.errors import RaysplayError
from raysplay.configs.views import VIEWS
from raysplay.infer.settings import reading_settings
from raysplay.infer.user_table import Row, UserTable, UserTableError, read_user_table
from raysplay.infer.warp import crop, transform_points

MARGIN = 64
"""Pixels that a stored crop reaches beyond the network's crop on every side."""

QUALITY = 88
"""Of the JPEG that a crop is kept as."""


class RealFilmsError(RaysplayError, ValueError):
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
    try:
        crops = read_user_table(folder / "crops.csv", ("crop", "film", "view"))
        view = [VIEWS.index(crops.one_of(row, "view", VIEWS)) for row in crops.rows]
        conditions = [[_ANSWERS[crops.one_of(row, c, tuple(_ANSWERS))] for c in CONDITIONS] for row in crops.rows]
        pictures = [_picture(folder, crops, row) for row in crops.rows]
        points = np.zeros((len(crops.rows), len(schema), 2), np.float32)
        known = np.zeros((len(crops.rows), len(schema)), bool)
        number = {row["crop"]: k for k, row in enumerate(crops.rows)}
        if (folder / "landmarks.csv").exists():
            given = read_user_table(folder / "landmarks.csv", ("crop", "landmark", "x", "y"), rows_needed=False)
            for row in given.rows:
                if row["crop"] not in number:
                    raise given.error(f"crops.csv has no crop {row['crop']}", row, "crop")
                if row["landmark"] not in schema.codes:
                    raise given.error(f"there is no landmark {row['landmark']!r}", row, "landmark")
                x, y = (given.number(row, column) for column in ("x", "y"))
                if x is None or y is None:
                    raise given.error("a place is missing", row)
                k, j = number[row["crop"]], schema.index(row["landmark"])
                points[k, j], known[k, j] = (x, y), True
    except UserTableError as error:
        raise RealFilmsError(str(error)) from error
    if len({p.shape for p in pictures}) != 1:
        raise RealFilmsError(f"{crops.path}: needs crops all of one size")
    return RealCrops(
        torch.from_numpy(np.stack(pictures)).to(device),
        torch.from_numpy(points).to(device),
        torch.from_numpy(known).to(device),
        torch.tensor(view, device=device),
        torch.tensor(conditions, device=device),
    )


def _picture(folder: Path, crops: UserTable, row: Row) -> npt.NDArray[np.uint8]:
    try:
        return np.asarray(Image.open(folder / "crops" / row["crop"]).convert("L"))
    except (OSError, ValueError) as error:
        raise crops.error(f"the picture {row['crop']} cannot be read ({type(error).__name__})", row, "crop") from error


@dataclass
class CropFolder:
    """A folder of real crops in the making; ``load_real_crops`` reads what ``write`` leaves."""

    folder: Path
    _crops: list[dict[str, str]] = field(default_factory=list)
    _points: list[dict[str, str]] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self._crops)

    def add(
        self,
        pixels: npt.NDArray[np.float32],
        film_from_crop: npt.NDArray[np.float64],
        film: str,
        view: str,
        known: Mapping[str, str] | None = None,
        landmarks: Mapping[str, Sequence[float]] | None = None,
    ) -> None:
        """Cut one foot.

        Parameters
        ----------
        pixels : ndarray, shape (R, C)
            The film, 0 to 1.
        film_from_crop : ndarray, shape (3, 3)
            The network's crop on it; what is kept reaches ``MARGIN`` pixels further on every side.
        known : mapping of str to {'yes', 'no', ''}, optional
            Conditions.
        landmarks : mapping of str to (x, y), optional
            In film pixels.
        """
        rows, columns = reading_settings().crop_size
        matrix = film_from_crop @ np.array([[1, 0, -MARGIN], [0, 1, -MARGIN], [0, 0, 1.0]])
        picture = np.clip(crop(pixels, matrix, (rows + 2 * MARGIN, columns + 2 * MARGIN)), 0, 1)
        # Numbered: films in different folders may have one name.
        name = f"{len(self):05d}_{Path(film).stem}.jpg"
        (self.folder / "crops").mkdir(parents=True, exist_ok=True)
        Image.fromarray((picture * 255).round().astype(np.uint8)).save(self.folder / "crops" / name, quality=QUALITY)
        conditions = {c: (known or {}).get(c) or "" for c in CONDITIONS}
        self._crops.append({"crop": name, "film": film, "view": view} | conditions)
        for code, place in (landmarks or {}).items():
            x, y = transform_points(np.linalg.inv(matrix), np.asarray(place, np.float64))
            self._points.append({"crop": name, "landmark": code, "x": f"{x:.2f}", "y": f"{y:.2f}"})

    def write(self) -> None:
        """Write the tables."""
        self.folder.mkdir(parents=True, exist_ok=True)
        for name, lines, head in (
            ("crops.csv", self._crops, ["crop", "film", "view", *CONDITIONS]),
            ("landmarks.csv", self._points, ["crop", "landmark", "x", "y"]),
        ):
            with (self.folder / name).open("w", encoding="utf-8", newline="") as file:
                writer = csv.DictWriter(file, head)
                writer.writeheader()
                writer.writerows(lines)

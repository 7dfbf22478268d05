"""Cuts real films into crops for training: ``python -m raysplay.train.gather_real_crops FILMS LIST OUT``.

LIST is a CSV with the columns film (path below FILMS), view (dp, oblique, lateral, other) and trusted (yes or no), and
optionally one for each condition that is known (growth_plates, metal, ...: yes, no, or empty where nobody looked).
Every foot that the present weights find becomes a crop of its film's view; of trusted dorsoplantar films the
landmarks of the present weights are kept as targets (self-training): trust only what was looked at.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

import numpy as np
from PIL import Image

from raysplay.configs import landmark_schema
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.foot_reader import FootReader
from raysplay.infer.network.landmark_network import CONDITIONS
from raysplay.infer.settings import reading_settings
from raysplay.infer.warp import crop, transform_points
from raysplay.train.real_films import MARGIN

CONFIDENT = 0.5
"""Landmarks below this confidence are not used as targets."""

QUALITY = 88
"""Of the JPEG that a crop is kept as."""


def gather(films: Path, table: Path, out: Path, reader: FootReader) -> int:
    """Write the crops and tables that ``load_real_crops`` reads; returns the number of crops."""
    schema = landmark_schema()
    rows, columns = reading_settings().crop_size
    size = (rows + 2 * MARGIN, columns + 2 * MARGIN)
    widen = np.array([[1, 0, -MARGIN], [0, 1, -MARGIN], [0, 0, 1.0]])
    (out / "crops").mkdir(parents=True, exist_ok=True)
    crops: list[dict[str, str]] = []
    points: list[dict[str, str]] = []
    with FilmReader() as opener, table.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            try:
                film = opener.read(films / row["film"])
            except FilmRejected as reason:
                print(f"{row['film']}: {reason}", file=sys.stderr)
                continue
            for foot in reader.find(film):
                read = reader.landmarks(film, foot)
                matrix = read.foot.film_from_crop @ widen
                picture = np.clip(crop(film.pixels, matrix, size), 0, 1)
                # Numbered: films in different folders may have one name.
                name = f"{len(crops):05d}_{Path(row['film']).stem}.jpg"
                Image.fromarray((picture * 255).round().astype(np.uint8)).save(out / "crops" / name, quality=QUALITY)
                known = {c: row.get(c) or "" for c in CONDITIONS}
                crops.append({"crop": name, "film": row["film"], "view": row["view"]} | known)
                if row["view"] == "dp" and row["trusted"] == "yes":
                    at = transform_points(np.linalg.inv(matrix), read.points)
                    for code, (x, y), sure in zip(schema.codes, at, read.confidence, strict=True):
                        if sure >= CONFIDENT:
                            points.append({"crop": name, "landmark": code, "x": f"{x:.2f}", "y": f"{y:.2f}"})
    for name, lines, head in (
        ("crops.csv", crops, ["crop", "film", "view", *CONDITIONS]),
        ("landmarks.csv", points, ["crop", "landmark", "x", "y"]),
    ):
        with (out / name).open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, head)
            writer.writeheader()
            writer.writerows(lines)
    return len(crops)


if __name__ == "__main__":
    print(gather(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), FootReader.shipped()))

"""Cuts real films into crops for training: ``python -m raysplay.train.gather_real_crops FILMS LIST OUT``.

LIST is a CSV with the columns film (path below FILMS), view (dp, oblique, lateral, other) and trusted (yes or no), and
optionally one for each condition that is known (growth_plates, metal, ...: yes, no, or empty where nobody looked).
The foot that the present weights find becomes a crop of its film's view. Where they find several, each may show another
view: such a film is left out unless a column foot names the one meant (L or R). Of trusted dorsoplantar films the
landmarks of the present weights are kept as targets (self-training): trust only what was looked at.
"""

from __future__ import annotations

import csv
import sys
from pathlib import Path

from raysplay.configs import landmark_schema
from raysplay.infer.films.decode import FilmReader
from raysplay.infer.films.film import FilmRejected
from raysplay.infer.foot_reader import FootReader
from raysplay.train.real_films import CropFolder

CONFIDENT = 0.5
"""Landmarks below this confidence are not used as targets."""


def gather(films: Path, table: Path, out: Path, reader: FootReader) -> int:
    """Write the crops and tables that ``load_real_crops`` reads; returns the number of crops."""
    codes = landmark_schema().codes
    folder = CropFolder(out)
    with FilmReader() as opener, table.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            try:
                film = opener.read(films / row["film"])
            except FilmRejected as reason:
                print(f"{row['film']}: {reason}", file=sys.stderr)
                continue
            found = reader.find(film)
            if len(found) > 1:
                found = [foot for foot in found if foot.side == row.get("foot")]
            if len(found) != 1:
                print(f"{row['film']}: no foot, or not clear which is meant", file=sys.stderr)
                continue
            (foot,) = found
            read = reader.landmarks(film, foot)
            sure = {}
            if row["view"] == "dp" and row["trusted"] == "yes":
                told = zip(codes, read.points, read.confidence, strict=True)
                sure = {code: place for code, place, confidence in told if confidence >= CONFIDENT}
            folder.add(film.pixels, read.foot.film_from_crop, row["film"], row["view"], row, sure)
    folder.write()
    return len(folder)


if __name__ == "__main__":
    print(gather(Path(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3]), FootReader.shipped()))

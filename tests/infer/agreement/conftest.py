"""An invented study of the lighthouse island: feet with known angles, readers with known errors, and a run on them."""

import csv
import hashlib
import json
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

MEASURES = {"hva": (27.0, 9.0), "ima": (12.5, 3.0)}
"""Mean and spread of true values, degrees."""


@dataclass
class Island:
    """Films of one foot each, sides in turn; ``films`` of them."""

    films: int = 40
    seed: int = 312
    readers: tuple = ("AB", "CD")
    sessions: int = 2
    measures: dict = field(default_factory=lambda: dict(MEASURES))
    error: float = 1.2
    both_feet: bool = False

    def __post_init__(self):
        draw = np.random.default_rng(self.seed)
        sides = ("L", "R") if self.both_feet else None
        self.feet = [
            (f"spring/keeper-{i:04d}.dcm", side) for i in range(self.films) for side in (sides or ("LR"[i % 2],))
        ]
        shape = len(self.feet), len(self.readers), self.sessions
        self.true = {name: draw.normal(*about, len(self.feet)) for name, about in self.measures.items()}
        self.read = {
            name: np.round(true[:, None, None] + draw.normal(0, self.error, shape), 1)
            for name, true in self.true.items()
        }
        self.tool = {name: true + draw.normal(0, 0.6, len(self.feet)) for name, true in self.true.items()}

    def rows(self, measure_name=str):
        """One row a number."""
        for name, values in self.read.items():
            for i, (film, side) in enumerate(self.feet):
                for r, reader in enumerate(self.readers):
                    for s in range(self.sessions):
                        yield [film, side, reader, s + 1, measure_name(name), values[i, r, s]]

    def tidy(self, path, **options):
        written_csv(path, ["film", "foot", "reader", "session", "measure", "value"], self.rows(), **options)
        return path


def written_csv(path, header, rows, delimiter=",", decimal=".", encoding="utf-8"):
    def cell(value):
        return str(value).replace(".", decimal) if isinstance(value, float) else value

    with path.open("w", encoding=encoding, newline="") as stream:
        writer = csv.writer(stream, delimiter=delimiter)
        writer.writerow(header)
        writer.writerows([cell(value) for value in row] for row in rows)


def written_run(folder, island, decisions=None, withheld=(), lost=(), persons=None, half_width=2.0):
    """A finished run that found the island's feet: what ``read_run`` reads, and ``films.csv``.

    ``decisions`` by film, ``withheld`` (film, measure), ``lost`` films without a foot.
    """
    folder.mkdir()
    names = list(island.measures)
    by_film = {}
    for i, (film, side) in enumerate(island.feet):
        by_film.setdefault(film, []).append((i, side))
    head = ["film", "foot", "foot_index", "decision", "reasons"]
    head += [f"{name}{end}" for name in names for end in ("", "_low", "_high")]
    with (folder / "feet.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow([*head, "withheld", "unproven", "low_confidence", "overlay"])
        for film, feet in by_film.items():
            if film in lost:
                writer.writerow([film, "", "", "refused", "no foot found", *[""] * (3 * len(names) + 4)])
                continue
            for index, (i, side) in enumerate(feet):
                decision = (decisions or {}).get(film, "accepted")
                cells = []
                for name in names:
                    value = island.tool[name][i]
                    gone = decision == "refused" or (film, name) in withheld
                    cells += ["", "", ""] if gone else [f"{value + d:.1f}" for d in (0, -half_width, half_width)]
                writer.writerow([film, side, index, decision, "", *cells, "", "", "", ""])
    with (folder / "films.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["film", "person", "column_mm"])
        for film in by_film:
            writer.writerow([film, (persons or {}).get(film, ""), "0.2"])
    pq.write_table(
        pa.table(
            {
                name: pa.array([], kind)
                for name, kind in (
                    ("film", pa.string()),
                    ("foot_index", pa.int32()),
                    ("landmark", pa.string()),
                    ("x", pa.float64()),
                    ("y", pa.float64()),
                )
            }
        ),
        folder / "landmarks.parquet",
    )
    tables = {
        name: hashlib.sha256((folder / name).read_bytes()).hexdigest()
        for name in ("feet.csv", "films.csv", "landmarks.parquet")
    }
    about = {
        "command": ["raysplay", "measure", "films"],
        "versions": {"raysplay": "0.1.0"},
        "protocol": {"constructions": dict.fromkeys(names, "shaft")},
        "digests": {"weights": {"landmarks.safetensors": "ab" * 32}, "configs": {"protocol.yaml": "cd" * 32}},
        "counts": {},
        "tables": tables,
        "films": "/films",
        "proven": names,
    }
    (folder / "run.json").write_text(json.dumps(about))
    return folder


@pytest.fixture
def make_island():
    """``make_island(films=40, sessions=2, ...)``."""
    return Island


@pytest.fixture
def island():
    return Island()


@pytest.fixture
def write_csv():
    return written_csv


@pytest.fixture
def write_run():
    return written_run

"""An invented study of the lighthouse island: feet with known angles, readers with known errors, and a run on them."""

import csv
import hashlib
import json
from dataclasses import dataclass, field

import numpy as np
import pyarrow.parquet as pq
import pytest

from raysplay.infer.outputs.landmarks_table import COLUMNS
from raysplay.infer.outputs.run_format import FORMAT
from raysplay.infer.outputs.tables import CROPS_HEADER, FILMS_HEADER, NUMBER_ENDS, feet_header
from raysplay.measure import by_name

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
    feet_rows, films_rows, crops_rows = [], [], []
    for number, (film, feet) in enumerate(by_film.items()):
        person = (persons or {}).get(film, "")
        code = hashlib.sha256(person.encode()).hexdigest()[:16] if person else ""
        of_film = {"film": film, "feet": len(feet), "sha256": f"{number:064d}", "rows": 3000}
        of_film |= {"columns": 2400, "row_mm": 0.2, "column_mm": 0.2, "aspect": 1.0, "spacing": "detector plane"}
        films_rows.append({**of_film, "person": code})
        if film in lost:
            reason = {"decision": "refused", "reasons": "no foot found", "reason_kinds": "no_foot_found"}
            feet_rows.append({"film": film, **reason})
            continue
        for index, (i, side) in enumerate(feet):
            decision = (decisions or {}).get(film, "accepted")
            row = {"film": film, "foot": side, "foot_index": index, "decision": decision}
            gone = names if decision == "refused" else [name for name in names if (film, name) in withheld]
            for name in names:
                if name not in gone:
                    value = island.tool[name][i]
                    ends = zip(NUMBER_ENDS, (0, -half_width, half_width), strict=True)
                    row |= {f"{name}{end}": f"{value + d:.1f}" for end, d in ends}
            if decision == "refused":
                said = {"reasons": "not a dorsoplantar view: looks lateral (0.99)", "reason_kinds": "not_dorsoplantar"}
                row |= said
            else:
                row["withheld"] = "; ".join(f"{name}:doubtful_points" for name in gone)
            feet_rows.append(row)
            crops_rows.append([film, side, index, *range(8)])
    for name, header, rows in (
        ("feet.csv", feet_header([by_name(name) for name in names]), feet_rows),
        ("films.csv", FILMS_HEADER, films_rows),
    ):
        with (folder / name).open("w", newline="") as stream:
            writer = csv.DictWriter(stream, header, restval="")
            writer.writeheader()
            writer.writerows(rows)
    with (folder / "crops.csv").open("w", newline="") as stream:
        csv.writer(stream).writerows([CROPS_HEADER, *crops_rows])
    pq.write_table(COLUMNS.empty_table(), folder / "landmarks.parquet")
    tables = {
        name: hashlib.sha256((folder / name).read_bytes()).hexdigest()
        for name in ("feet.csv", "films.csv", "crops.csv", "landmarks.parquet")
    }
    about = {
        "format": FORMAT,
        "command": ["raysplay", "measure", "films"],
        "versions": {"raysplay": "0.1.0"},
        "protocol": {"constructions": dict.fromkeys(names, "shaft"), "proven": names},
        "digests": {"weights": {"landmarks.safetensors": "ab" * 32}, "configs": {"protocol.yaml": "cd" * 32}},
        "counts": {},
        "tables": tables,
        "films": "/films",
        "proven": names,
    }
    (folder / "run.json").write_text(json.dumps(about))
    return folder


@pytest.fixture(scope="session")
def make_island():
    """``make_island(films=40, sessions=2, ...)``."""
    return Island


@pytest.fixture
def island():
    return Island()


@pytest.fixture(scope="session")
def write_csv():
    return written_csv


@pytest.fixture(scope="session")
def write_run():
    return written_run

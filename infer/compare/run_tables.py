"""Reads a finished run back."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from raysplay.infer.outputs.table_digests import changed_table
from raysplay.infer.outputs.tables import read_reasons
from raysplay.infer.reason import Reason, ReasonKind
from raysplay.infer.records import Outcome
from raysplay.measure import by_name


class RunTablesError(ValueError):
    """A folder that holds no readable run; the message names it and says why."""


@dataclass(frozen=True)
class MeasuredFoot:
    """One foot's row of ``feet.csv`` with its landmarks.

    ``values`` maps a measure's name to value, low and high; a withheld or refused measure is missing.
    """

    side: str
    decision: str
    reasons: tuple[Reason, ...]
    values: Mapping[str, tuple[float, float, float]]
    landmarks: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def centre(self) -> tuple[float, float] | None:
        """Middle of the box round the landmarks, pixels of the film."""
        if not self.landmarks:
            return None
        x, y = zip(*self.landmarks.values(), strict=True)
        return (min(x) + max(x)) / 2.0, (min(y) + max(y)) / 2.0


@dataclass(frozen=True)
class MeasuredArchive:
    """All films of a run: feet by film (empty where none was found), films a minute, and the run's protocol.

    ``constructions`` holds the construction of every reported measure by name, ``refused_films`` the reasons of films
    without a foot, ``digests`` the SHA-256 of weights and configurations by file name, ``folder`` where the films lay.
    """

    films: Mapping[str, tuple[MeasuredFoot, ...]]
    films_per_minute: float | None
    constructions: Mapping[str, str]
    refused_films: Mapping[str, tuple[Reason, ...]] = field(default_factory=dict)
    digests: Mapping[str, str] = field(default_factory=dict)
    folder: str | None = None

    def was_read(self, film: str) -> bool:
        """Whether the file gave a film to look for feet on."""
        return not any(reason.kind.gave_no_film for reason in self.refused_films.get(film, ()))

    def is_copy(self, film: str) -> bool:
        """Whether the file has the bytes of another one, which stands for both."""
        return any(reason.kind is ReasonKind.DUPLICATE for reason in self.refused_films.get(film, ()))


def most_accepted(decisions: Iterable[str]) -> str:
    """The outcome nearest to accepted; refused for none."""
    order = [outcome.value for outcome in (Outcome.ACCEPTED, Outcome.REVIEW, Outcome.REFUSED)]
    return min(decisions, key=order.index, default=Outcome.REFUSED.value)


def read_run(folder: Path) -> MeasuredArchive:
    """Read ``feet.csv``, ``landmarks.parquet`` and ``run.json`` of a run.

    Raises
    ------
    RunTablesError
        If one is missing, is not what a run writes, or was changed after the run.
    """
    for name in ("feet.csv", "landmarks.parquet", "run.json"):
        if not (folder / name).is_file():
            raise RunTablesError(f"{folder}: no finished run, {name} is missing")
    if changed := changed_table(folder, ("feet.csv", "landmarks.parquet")):
        raise RunTablesError(changed)
    try:
        points = _landmarks(folder / "landmarks.parquet")
        about = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        constructions: dict[str, str] = {
            by_name(name, built).name: built for name, built in about["protocol"]["constructions"].items()
        }
        digests = {**about["digests"]["weights"], **about["digests"]["configs"]}
        films: dict[str, list[MeasuredFoot]] = {}
        refused: dict[str, tuple[Reason, ...]] = {}
        with (folder / "feet.csv").open(encoding="utf-8", newline="") as stream:
            table = csv.DictReader(stream)
            if "film" in (table.fieldnames or ()) and "reason_kinds" not in (table.fieldnames or ()):
                said = "no column reason_kinds; measure the films again with this version"
                raise RunTablesError(f"{folder / 'feet.csv'}: {said}")
            for row in table:
                film = row["film"]
                feet = films.setdefault(film, [])
                reasons = read_reasons(row["reasons"], row["reason_kinds"])
                if row["foot"]:
                    landmarks = points.get((film, len(feet)), {})
                    feet.append(
                        MeasuredFoot(row["foot"], row["decision"], reasons, _values(row, constructions), landmarks)
                    )
                else:
                    refused[film] = reasons
    except OSError as error:
        raise RunTablesError(f"{error.filename or folder}: cannot be read ({error.strerror})") from error
    except RunTablesError:
        raise
    except (KeyError, TypeError, AttributeError, ValueError, pa.ArrowException) as error:
        raise RunTablesError(f"{folder}: holds no run that can be read ({type(error).__name__})") from error
    return MeasuredArchive(
        {film: tuple(feet) for film, feet in films.items()},
        about.get("films_per_minute"),
        constructions,
        refused,
        digests,
        about.get("films"),
    )


def _values(row: Mapping[str, str], reported: Iterable[str]) -> dict[str, tuple[float, float, float]]:
    return {
        name: (float(row[name]), float(row[f"{name}_low"]), float(row[f"{name}_high"]))
        for name in reported
        if row[name]
    }


def _landmarks(path: Path) -> dict[tuple[str, int], dict[str, tuple[float, float]]]:
    points: dict[tuple[str, int], dict[str, tuple[float, float]]] = {}
    table = pq.read_table(path, columns=["film", "foot_index", "landmark", "x", "y"], page_checksum_verification=True)
    for batch in table.to_batches():
        for row in zip(*(column.to_pylist() for column in batch.columns), strict=True):
            film, index, code, x, y = row
            points.setdefault((film, index), {})[code] = (x, y)
    return points

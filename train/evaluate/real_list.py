"""Real films without truth: what became of them, by what a person says they show."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from raysplay.infer.films.collect import collect
from raysplay.infer.network.landmark_network import CONDITIONS
from raysplay.infer.outputs.names import film_name
from raysplay.infer.records import Outcome
from raysplay.train.evaluate.run_tables import MeasuredArchive, most_accepted
from raysplay.train.evaluate.truth import VIEWS


class RealListError(ValueError):
    """A list of films that cannot be used; the message names file, line and reason."""


@dataclass(frozen=True)
class RealFigures:
    """Films of one kind (a view, and the conditions known of them): how many, on how many a foot was measured, and
    their outcomes, each film counted as its most accepted foot."""

    kind: str
    films: int
    found: int
    outcomes: Mapping[str, int]


def read_list(path: Path, folder: Path) -> dict[Path, str]:
    """What the films of a list show: view, and conditions marked ``yes``, by file.

    Columns: ``film`` (path below ``folder``), ``view`` (dp, oblique, lateral, other), and optionally one for each
    condition (growth_plates, metal, ...: yes, no or empty); others are left alone.

    Raises
    ------
    RealListError
    """
    kinds: dict[Path, str] = {}
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            reader = csv.DictReader(stream)
            if not {"film", "view"} <= set(reader.fieldnames or ()):
                raise RealListError(f"{path}: needs the columns film and view")
            for row in reader:
                if row["view"] not in VIEWS:
                    raise RealListError(f"{path}: line {reader.line_num}: view must be one of {', '.join(VIEWS)}")
                file = (folder / row["film"]).absolute()
                if not file.is_file():
                    raise RealListError(f"{path}: line {reader.line_num}: {row['film']} is no file below {folder}")
                kinds[file] = ", ".join([row["view"], *(name for name in CONDITIONS if row.get(name) == "yes")])
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else "not CSV in UTF-8"
        raise RealListError(f"{path}: cannot be read ({reason})") from error
    if not kinds:
        raise RealListError(f"{path}: holds no row")
    return kinds


def real_figures(run: MeasuredArchive, kinds: Mapping[Path, str]) -> tuple[RealFigures, ...]:
    """Figures of a run over the files of ``kinds``, by kind."""
    outcomes: dict[str, Counter[str]] = {kind: Counter() for kind in sorted(set(kinds.values()))}
    for candidate in collect(kinds):
        feet = run.films.get(film_name(candidate.name), ())
        outcomes[kinds[candidate.path]][most_accepted(foot.decision for foot in feet)] += 1
    return tuple(
        RealFigures(kind, count.total(), count.total() - count[Outcome.REFUSED.value], dict(count))
        for kind, count in outcomes.items()
    )

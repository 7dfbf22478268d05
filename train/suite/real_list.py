"""Real films without truth: what became of them, by what a person says they show."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from raysplay.configs.conditions import CONDITIONS
from raysplay.configs.views import VIEWS
from raysplay.infer.compare.run_tables import MeasuredArchive, most_accepted
from raysplay.infer.film_names import FilmNames
from raysplay.infer.films.collect import collect
from raysplay.infer.outputs.names import film_name
from raysplay.infer.records import Outcome
from raysplay.infer.user_table import read_user_table


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
    condition (growth_plates, metal, ...: yes, no or empty); others are left alone unless close to one of these.

    Raises
    ------
    UserTableError
    """
    table = read_user_table(path, ("film", "view"))
    table.refuse_misspelt(("film", "view", *CONDITIONS))
    files = {film_name(one.name): one.path for one in collect([folder]).candidates} if folder.is_dir() else {}
    names = FilmNames(files)
    kinds: dict[Path, str] = {}
    lines: dict[Path, int] = {}
    for row in table.rows:
        view = table.one_of(row, "view", VIEWS)
        marked = [name for name in CONDITIONS if table.one_of(row, name, ("yes", "no", "")) == "yes"]
        found = names.meant(row["film"])
        if len(found) > 1:
            raise table.error(
                f"{row['film']} could be {' or '.join(found)}; write the path below {folder}", row, "film"
            )
        if not found:
            raise table.error(f"{row['film']} is no file below {folder}", row, "film")
        file = files[found[0]]
        if (first := lines.setdefault(file, row.line)) != row.line:
            raise table.error(f"{row['film']} stands in line {first} already", row, "film")
        kinds[file] = ", ".join([view, *marked])
    return kinds


def real_figures(run: MeasuredArchive, kinds: Mapping[Path, str]) -> tuple[RealFigures, ...]:
    """Figures of a run over the files of ``kinds``, by kind."""
    outcomes: dict[str, Counter[str]] = {kind: Counter() for kind in sorted(set(kinds.values()))}
    for candidate in collect(kinds).candidates:
        feet = run.films.get(film_name(candidate.name), ())
        outcomes[kinds[candidate.path]][most_accepted(foot.decision for foot in feet)] += 1
    return tuple(
        RealFigures(kind, count.total(), count.total() - count[Outcome.REFUSED.value], dict(count))
        for kind, count in outcomes.items()
    )

"""What an archive holds: the selection alone, written as one table."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from raysplay.infer.films.candidate import Candidate
from raysplay.infer.films.collect import listed, not_there
from raysplay.infer.films.settings import FilmLimits, film_settings
from raysplay.infer.films.stated_terms import stated_terms_settings
from raysplay.infer.films.walk import Walk
from raysplay.infer.outputs.csv_table import CsvTable
from raysplay.infer.outputs.folder_lock import taken
from raysplay.infer.outputs.name_key import NameKey, whole_path
from raysplay.infer.outputs.names import film_name
from raysplay.infer.outputs.owner_only import owner_only
from raysplay.infer.outputs.run_files import BESIDE, PARTIAL, SELECTION
from raysplay.infer.outputs.run_folder import RunFolderError, writing
from raysplay.infer.pipeline import ReadsFilms
from raysplay.infer.selection.choice import Kind, Verdict
from raysplay.infer.selection.select import FindsFeet, select
from raysplay.infer.selection.settings import selection_settings

Row = tuple[str, str, str, str, str, int, float, str]
"""What :data:`HEADER` names."""

HEADER = ("film", "verdict", "kind", "why", "stated", "feet", "seen", "view")
"""Columns of ``selection.csv``."""


@dataclass
class Holdings:
    """What an archive holds.

    Attributes
    ----------
    table : Path
        Where ``selection.csv`` lies.
    counts : Counter of (Verdict, Kind)
        Files.
    litter : int
        Files and folders of the operating system that were passed over.
    runs : tuple of Path
        Folders whose files an earlier run wrote.
    """

    table: Path
    counts: Counter[tuple[Verdict, Kind]] = field(default_factory=Counter)
    litter: int = 0
    runs: tuple[Path, ...] = ()

    @property
    def files(self) -> int:
        """Files that have a row."""
        return self.counts.total()

    def verdicts(self) -> dict[Verdict, int]:
        """Files by verdict."""
        return {one: sum(n for (verdict, _), n in self.counts.items() if verdict is one) for one in Verdict}


def select_into(
    paths: Iterable[Path | str],
    out: Path,
    films: ReadsFilms,
    feet: FindsFeet,
    *,
    overwrite: bool = False,
    limits: FilmLimits | None = None,
    names: NameKey | None = None,
    progress: Callable[[int], None] | None = None,
) -> Holdings:
    """Choose among all files below ``paths`` and write ``selection.csv`` into ``out``: a row for each.

    Rows are written as files are looked at; until the last one the table's name ends in ``.partial``. Of the archive
    only the digests of its films are held in memory.

    With ``names`` every file has an identifier under that key, and the rows stand in the order of these; so they are
    held in memory until the last file, and written then.

    Raises
    ------
    FileNotFoundError
        If a path does not exist.
    RunFolderError
        If the folder holds such a table and ``overwrite`` is not given, or cannot take one.
    RunStoppedError
        If it could not be written any more.
    """
    table = out / SELECTION
    selection_settings(), stated_terms_settings()  # what is wrong with them comes out before a folder is made
    given = [Path(os.path.abspath(path)) for path in paths]
    for path in given:
        if not os.path.lexists(path):
            raise FileNotFoundError(not_there(path))
    if table.exists() and not overwrite:
        raise RunFolderError(f"{table} is there already: add --overwrite to replace it, or choose another folder")
    walk, found = Walk(), Holdings(table)
    whole = Path(os.path.abspath(table))
    own = frozenset({whole, Path(f"{whole}{PARTIAL}"), *(whole.with_name(name) for name in BESIDE)})
    with owner_only(), writing(out), taken(out):
        with CsvTable(Path(f"{table}{PARTIAL}"), HEADER) as rows:
            held: list[Row] = []
            candidates = _but(listed(given, limits or film_settings(), walk), own)
            if names is not None:
                candidates = (replace(one, name=names.identifier(whole_path(one))) for one in candidates)
            for one in select(candidates, films, feet):
                choice = one.choice
                found.counts[choice.verdict, choice.kind] += 1
                terms = " ".join(choice.terms)
                about = (choice.verdict.value, choice.kind.value, choice.why, terms)
                row = (film_name(one.candidate.name), *about, choice.feet, round(choice.seen, 4), choice.view)
                rows.append(row) if names is None else held.append(row)
                if progress is not None:
                    progress(found.files)
            for row in sorted(held):
                rows.append(row)
        os.replace(f"{table}{PARTIAL}", table)
    found.litter = walk.litter
    found.runs = tuple(sorted(walk.runs)) if names is None else (Path("a folder among the films"),) * bool(walk.runs)
    return found


def _but(candidates: Iterable[Candidate], own: frozenset[Path]) -> Iterator[Candidate]:
    """All but the table that is being written, and the one that it replaces."""
    return (candidate for candidate in candidates if candidate.path not in own)

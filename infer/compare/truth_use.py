"""What of a table of truth was used, what was not, and why: printed, and kept beside the figures."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rich.console import Console

from raysplay.infer.compare.truth import Truth
from raysplay.infer.film_names import FilmNames

_NAMED = 3
"""Names that a line on the screen gives; ``evaluation.json`` has all of them."""


@dataclass(frozen=True)
class TruthUse:
    """What became of a table.

    Attributes
    ----------
    table, written : str
        The file; its separator and encoding.
    rows, rows_used : int
        A row is a foot, or a number where reads are in the long form.
    rows_not_used : mapping of str to int
        By why.
    feet, films : int
        Feet compared with the run, and their films.
    films_without_truth : int
        Films of the run that the table does not name.
    columns_used, columns_not_used : tuple of str
        As written.
    reads : bool
        Whether a row is a number, as in the reads of a study.
    chosen : mapping of str to str
        Study, reader and repeat.
    films_called : mapping of str to str
        The film taken, by a name of the table that is not its own.
    constructions : mapping of str to str
        How the run builds every measure that is compared.
    construction_not_stated : tuple of str
        Those of which the table does not say how they were read.
    measures_not_reported : tuple of str
        Measures of the table that the run does not report.
    landmarks_left_out : int
        Feet with landmarks beside the table that it does not name.
    """

    table: str
    written: str
    rows: int
    rows_used: int
    rows_not_used: Mapping[str, int]
    feet: int
    films: int
    films_without_truth: int
    columns_used: tuple[str, ...]
    columns_not_used: tuple[str, ...]
    reads: bool
    chosen: Mapping[str, str]
    films_called: Mapping[str, str]
    constructions: Mapping[str, str]
    construction_not_stated: tuple[str, ...]
    measures_not_reported: tuple[str, ...]
    landmarks_left_out: int


def truth_use(truth: Truth, names: FilmNames, constructions: Mapping[str, str]) -> TruthUse:
    """Account for a table whose films are called as the run calls them.

    Parameters
    ----------
    truth : Truth
    names : FilmNames
        Films of the run.
    constructions : mapping of str to str
        Of every measure that the run reports.
    """
    given = list(dict.fromkeys(name for foot in truth.feet for name in foot.angles))
    compared = {name: built for name, built in constructions.items() if name in given}
    stated = {name for foot in truth.feet for name in foot.constructions}
    films = {foot.film for foot in truth.feet}
    return TruthUse(
        str(truth.path),
        truth.written,
        truth.rows,
        truth.rows - sum(truth.left_out.values()),
        dict(truth.left_out),
        len(truth.feet),
        len(films),
        len(names) - len(films),
        truth.columns.used,
        truth.columns.ignored,
        truth.columns.reads,
        dict(truth.chosen),
        dict(truth.films),
        compared,
        tuple(name for name in compared if name not in stated),
        tuple(name for name in given if name not in constructions),
        truth.landmarks_left_out,
    )


def print_truth_use(use: TruthUse, console: Console) -> None:
    """Print it, a line a fact."""
    for line in use_lines(use):
        console.print(line, highlight=False, markup=False, soft_wrap=True)


def use_lines(use: TruthUse) -> Iterable[str]:
    """The facts in sentences."""
    yield f"{use.table}: {use.rows} rows, {use.rows_used} used; {use.written}"
    for why, count in use.rows_not_used.items():
        yield f"  {count} rows not used: {why}"
    if use.chosen:
        yield "  reads of " + ", ".join(f"{name} {value}" for name, value in use.chosen.items())
    if use.reads and "study" in use.chosen:
        yield "  a study holds feet that a run found: how many were found says nothing of those it missed"
    yield f"  columns used: {_some(use.columns_used, 12)}"
    if use.columns_not_used:
        yield f"  columns not used: {', '.join(use.columns_not_used)}"
    if use.films_called:
        called = _some([f"{given} for {film}" for given, film in use.films_called.items()])
        yield f"  films: {len(use.films_called)} names were taken for the only film they can mean: {called}"
    if use.films_without_truth:
        yield f"  films: {use.films_without_truth} without a row in the table are not compared"
    if not use.constructions:
        yield "  no value of a measure that the run reports: only feet, sides and views are compared"
    if use.construction_not_stated:
        built = ", ".join(f"{name} {use.constructions[name]}" for name in use.construction_not_stated)
        yield f"  how it was read is not stated, and taken to be as in the run: {built}"
    if use.measures_not_reported:
        listed = _some(use.measures_not_reported)
        yield f"  {len(use.measures_not_reported)} measures are not compared, the run does not report them: {listed}"
    if use.landmarks_left_out:
        yield f"  landmarks of {use.landmarks_left_out} feet that the table does not name are not compared"


def _some(names: Iterable[str], most: int = _NAMED) -> str:
    listed = list(names)
    more = len(listed) - most
    return ", ".join(listed[:most]) + (f" and {more} more" if more > 0 else "")

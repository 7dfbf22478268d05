"""A sheet of a workbook (.xlsx) as a table of a user: cells as they would stand in a CSV file.

Hidden rows and columns can be what somebody took out, or what a filter left on by chance hides: a program cannot know.
To use them or to leave them out in silence would both give figures that nobody decided on, so the caller must say.
"""

from __future__ import annotations

import posixpath
import zipfile
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any, Literal
from xml.parsers import expat

from raysplay.infer.user_table import WORKBOOKS, UserTable, UserTableError, read_user_table, table_of_records

_MOST_BYTES = 2**29
"""Unpacked size of a workbook that is opened; a sheet of a million rows and ten columns has about half of it."""


HiddenCells = Literal["use", "leave_out"]

_NAMED = 20
"""Hidden rows that a sentence names; the rest is counted."""


@dataclass(frozen=True)
class Sheet:
    """A table with what of it is hidden.

    Attributes
    ----------
    table : UserTable
        With hidden rows, without hidden columns that are left out.
    left_out : frozenset of int
        Lines of rows that are hidden and to be left out.
    said : tuple of str
        What is hidden and what becomes of it, in sentences; empty where nothing is.
    """

    table: UserTable
    left_out: frozenset[int] = frozenset()
    said: tuple[str, ...] = ()


def read_table(path: Path, sheet: str | None = None, hidden: HiddenCells | None = None) -> Sheet:
    """Read a CSV file or a sheet of a workbook, told apart by content.

    Parameters
    ----------
    path : Path
        A folder stands for the ``reads.csv`` of ``raysplay export`` in it.
    sheet : str, optional
        Needed where several sheets hold something.
    hidden : {'use', 'leave_out'}, optional
        What becomes of hidden rows, columns and sheets; needed where there are any that hold something.

    Raises
    ------
    UserTableError
        If the file cannot be read or is no table, the sheet is not clear, or something is hidden and nobody said what
        shall become of it.
    """
    if path.is_dir():
        path = path / "reads.csv"
    try:
        with path.open("rb") as stream:
            start = stream.read(8)
    except OSError as error:
        raise UserTableError(f"{path}: cannot be read ({error.strerror})") from error
    if start.startswith(WORKBOOKS[0]):
        return _sheet(path, sheet, hidden)
    if sheet is not None:
        raise UserTableError(f"{path}: is no workbook and has no sheet {sheet} (--sheet)")
    return Sheet(read_user_table(path, ()))


def _sheet(path: Path, wanted: str | None, hidden: HiddenCells | None) -> Sheet:
    """The sheet of that name, or the only one that holds anything."""
    from openpyxl import load_workbook

    try:
        with zipfile.ZipFile(path) as packed:
            if sum(part.file_size for part in packed.infolist()) > _MOST_BYTES:
                raise UserTableError(f"{path}: is too large a workbook; save the sheet as CSV (UTF-8)")
        values = load_workbook(path, read_only=True, data_only=True)
        written = load_workbook(path, read_only=True)
        sheets = {one.title: one for one in values.worksheets}
        if wanted is not None and wanted not in sheets:
            raise UserTableError(f"{path}: has no sheet {wanted} (--sheet); there are {', '.join(sheets)}")
        chosen = [wanted] if wanted is not None else list(sheets)
        found = {name: [*sheets[name].iter_rows(values_only=True)] for name in chosen}
        filled = [name for name, rows in found.items() if any(cell is not None for row in rows for cell in row)]
        name = _only_sheet(path, filled, {n for n in filled if sheets[n].sheet_state != "visible"}, wanted, hidden)
        formulas = [*written[name].iter_rows(values_only=True)] if name else []
        lines, places = _hidden(path, name) if name else (frozenset(), frozenset())
        is_hidden = bool(name) and sheets[name].sheet_state != "visible"
    except UserTableError:
        raise
    except Exception as error:  # a workbook is a stranger's archive of XML; its reader raises of every kind
        raise UserTableError(f"{path}: is no workbook that can be read ({type(error).__name__})") from error
    records = []
    for line, (cells, sources) in enumerate(zip(found.get(name, ()), formulas, strict=False), start=1):
        _refuse_not_calculated(path, line, cells, sources)
        texts = [_text(cell) for cell in cells]
        if any(texts):
            records.append((line, texts))
    width = max((len(texts) for _, texts in records), default=0)
    if records:  # a sheet ends where its last cell stood once, not where its table ends
        width = max(i + 1 for _, texts in records for i, text in enumerate(texts) if text)
    records = [(line, texts[:width]) for line, texts in records]
    table = table_of_records(path, records, (), "cell", f"sheet {name} of a workbook")
    said = (f"sheet {name} is hidden, and read",) if is_hidden else ()
    return _with_hidden(table, records, lines, places, said, hidden)


def _only_sheet(
    path: Path, filled: Sequence[str], hidden_sheets: Collection[str], wanted: str | None, hidden: HiddenCells | None
) -> str:
    """The sheet to read; empty where none holds anything."""
    if wanted is not None:
        return wanted
    seen = [name for name in filled if name not in hidden_sheets] if hidden == "leave_out" else list(filled)
    names = [f"{name} (hidden)" if name in hidden_sheets else name for name in seen]
    if len(seen) > 1:
        raise UserTableError(f"{path}: holds several sheets ({', '.join(names)}); choose one by --sheet")
    if seen and seen[0] in hidden_sheets and hidden is None:
        raise UserTableError(f"{path}: holds nothing but a hidden sheet ({seen[0]}); to read it: --sheet {seen[0]}")
    return seen[0] if seen else ""


def _with_hidden(
    table: UserTable,
    records: Sequence[tuple[int, Sequence[str]]],
    lines: Collection[int],
    places: Collection[int],
    said: tuple[str, ...],
    hidden: HiddenCells | None,
) -> Sheet:
    """The table with its hidden rows and columns used or left out, as was said; only such as hold something count."""
    first = records[0][0] if records else 0
    rows = sorted({row.line for row in table.rows} & set(lines))
    heading = dict(enumerate(table.headings.values(), start=1)) if len(table.headings) == len(records[0][1]) else {}
    columns = [heading.get(place, f"column {place}") for place in sorted(places) if _holds(records, place)]
    if first in lines:
        raise table.error("the row with the names of the columns is hidden; show it in the workbook, then try again")
    if not rows and not columns:
        return Sheet(table, said=said)
    parts = [f"row{'s' * (len(rows) > 1)} {_ranges(rows)}"] if rows else []
    parts += [f"column{'s' * (len(columns) > 1)} {', '.join(columns)}"] if columns else []
    what = " and ".join(parts)
    if hidden is None:
        raise table.error(
            f"{what} of this sheet are hidden (by hand, or by a filter left on). Say whether they count: --hidden use, "
            "or --hidden leave_out"
        )
    if hidden == "use":
        return Sheet(table, said=(*said, f"hidden, and used as told: {what}"))
    return Sheet(table.without(columns), frozenset(rows), (*said, f"hidden, and left out as told: {what}"))


def _holds(records: Sequence[tuple[int, Sequence[str]]], place: int) -> bool:
    return any(len(texts) >= place and texts[place - 1] for _, texts in records)


def _ranges(numbers: Sequence[int]) -> str:
    """Whole numbers in rising order, neighbours together.

    Examples
    --------
    >>> _ranges([2, 4, 5, 6, 9])
    '2, 4 to 6, 9'
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    said = [str(a) if a == b else f"{a} to {b}" for a, b in runs]
    return ", ".join(said[:_NAMED]) + (f" and {len(said) - _NAMED} more places" if len(said) > _NAMED else "")


def _hidden(path: Path, sheet: str) -> tuple[frozenset[int], frozenset[int]]:
    """Hidden rows and columns of a sheet, counted from 1; those without height or width are hidden, too.

    openpyxl tells them only where it holds the whole workbook in memory (ECMA-376, 18.3.1.13 ``col``, 18.3.1.73
    ``row``).
    """
    rows: set[int] = set()
    columns: set[int] = set()
    place = 0

    def started(name: str, said: Mapping[str, str]) -> None:
        nonlocal place
        kind = name.rpartition(":")[2]
        if kind == "row":
            place = int(said.get("r", place + 1))
            if said.get("hidden") in ("1", "true") or said.get("ht") == "0":
                rows.add(place)
        elif kind == "col" and (said.get("hidden") in ("1", "true") or said.get("width") == "0"):
            columns.update(range(int(said["min"]), min(int(said["max"]), 16384) + 1))

    with zipfile.ZipFile(path) as packed:
        parser = expat.ParserCreate()
        parser.StartElementHandler = started
        with packed.open(_part_of_sheet(packed, sheet)) as stream:
            parser.ParseFile(stream)
    return frozenset(rows), frozenset(columns)


def _part_of_sheet(packed: zipfile.ZipFile, sheet: str) -> str:
    """File of a sheet within the workbook (ECMA-376 part 2, relationships)."""
    found: dict[str, str] = {}

    def attributes(part: str, element: str) -> list[dict[str, str]]:
        seen: list[dict[str, str]] = []
        parser = expat.ParserCreate()
        parser.StartElementHandler = lambda name, said: (
            seen.append({key.rpartition(":")[2]: value for key, value in said.items()})
            if name.rpartition(":")[2] == element
            else None
        )
        parser.Parse(packed.read(part), True)
        return seen

    (book,) = [
        one["Target"].lstrip("/")
        for one in attributes("_rels/.rels", "Relationship")
        if one["Type"].endswith("/officeDocument")
    ]
    folder, name = posixpath.split(book)
    for one in attributes(posixpath.join(folder, "_rels", f"{name}.rels"), "Relationship"):
        target = one["Target"]
        found[one["Id"]] = target.lstrip("/") if target.startswith("/") else posixpath.join(folder, target)
    (place,) = [found[one["id"]] for one in attributes(book, "sheet") if one["name"] == sheet]
    return posixpath.normpath(place)


def _refuse_not_calculated(path: Path, line: int, cells: Sequence[Any], sources: Sequence[Any]) -> None:
    """A formula that no program has calculated yet reads as nothing."""
    for place, (value, source) in enumerate(zip(cells, sources, strict=False), start=1):
        if value is None and isinstance(source, str) and source.startswith("="):
            raise UserTableError(
                f"{path}: line {line}, column {place}: holds a formula without its result; open the workbook in an "
                "office program and save it, or save the sheet as CSV"
            )


def _text(cell: Any) -> str:
    """A cell as it would stand in a CSV file; whole numbers without decimals."""
    if cell is None:
        return ""
    if isinstance(cell, bool):
        return str(cell).lower()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime | date | time):
        return cell.isoformat()
    return str(cell).strip()

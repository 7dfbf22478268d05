"""A sheet of a workbook (.xlsx) as a table of a user: cells as they would stand in a CSV file."""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from raysplay.infer.user_table import WORKBOOKS, UserTable, UserTableError, read_user_table, table_of_records

_MOST_BYTES = 2**29
"""Unpacked size of a workbook that is opened; a sheet of a million rows and ten columns has about half of it."""


def read_table(path: Path, sheet: str | None = None) -> UserTable:
    """Read a CSV file or a sheet of a workbook, told apart by content.

    Parameters
    ----------
    path : Path
        A folder stands for the ``reads.csv`` of ``raysplay export`` in it.
    sheet : str, optional
        Needed where several sheets hold something.

    Raises
    ------
    UserTableError
        If the file cannot be read or is no table, or the sheet is not clear.
    """
    if path.is_dir():
        path = path / "reads.csv"
    try:
        with path.open("rb") as stream:
            start = stream.read(8)
    except OSError as error:
        raise UserTableError(f"{path}: cannot be read ({error.strerror})") from error
    if start.startswith(WORKBOOKS[0]):
        return _sheet(path, sheet)
    if sheet is not None:
        raise UserTableError(f"{path}: is no workbook and has no sheet {sheet} (--sheet)")
    return read_user_table(path, ())


def _sheet(path: Path, wanted: str | None) -> UserTable:
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
        if len(filled) > 1:
            raise UserTableError(f"{path}: holds several sheets ({', '.join(filled)}); choose one by --sheet")
        name = filled[0] if filled else chosen[0]
        formulas = [*written[name].iter_rows(values_only=True)]
    except UserTableError:
        raise
    except Exception as error:  # a workbook is a stranger's archive of XML; its reader raises of every kind
        raise UserTableError(f"{path}: is no workbook that can be read ({type(error).__name__})") from error
    records = []
    for line, (cells, sources) in enumerate(zip(found[name], formulas, strict=False), start=1):
        _refuse_not_calculated(path, line, cells, sources)
        texts = [_text(cell) for cell in cells]
        if any(texts):
            records.append((line, texts))
    width = max((len(texts) for _, texts in records), default=0)
    if records:  # a sheet ends where its last cell stood once, not where its table ends
        width = max(i + 1 for _, texts in records for i, text in enumerate(texts) if text)
    records = [(line, texts[:width]) for line, texts in records]
    return table_of_records(path, records, (), "cell", f"sheet {name} of a workbook")


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

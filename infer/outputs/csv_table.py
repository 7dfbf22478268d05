"""A CSV file that grows row by row."""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

from raysplay.infer.outputs.names import cell_text


class CsvTable:
    """Appends rows to a CSV file as RFC 4180 describes it, in UTF-8.

    Text is always quoted, so that a semicolon in a file name starts no new cell where a spreadsheet splits at
    semicolons, and goes through :func:`cell_text`, so that none is run; ``None`` and ``nan`` become empty cells.

    Parameters
    ----------
    path : Path
    header : sequence of str
    at_once : bool
        Whether every row is handed to the system at once, so that an interrupted run keeps it.
    """

    def __init__(self, path: Path, header: Sequence[str], *, at_once: bool = True) -> None:
        self._at_once = at_once
        self._file = open(path, "w", encoding="utf-8", newline="", opener=_for_its_owner)  # noqa: SIM115
        # The header is data nobody controls but us; plain reads best.
        csv.writer(self._file).writerow(header)
        self._rows = csv.writer(self._file, quoting=csv.QUOTE_NONNUMERIC)

    def append(self, cells: Sequence[str | float | int | None]) -> None:
        """Write one row."""
        self._rows.writerow([_cell(value) for value in cells])
        if self._at_once:
            self._file.flush()

    def close(self) -> None:
        """Close the file; a second time does nothing."""
        self._file.close()

    def __enter__(self) -> CsvTable:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _for_its_owner(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _cell(value: str | float | int | None) -> str | float | int | None:
    if isinstance(value, str):
        return cell_text(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value

"""A CSV file as bytes, by the project's one way of writing them."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from raysplay.infer.outputs.csv_table import CsvTable


def csv_bytes(header: Sequence[str], rows: Iterable[Sequence[str | float | int | None]]) -> bytes:
    """What :class:`~raysplay.infer.outputs.csv_table.CsvTable` writes."""
    with tempfile.TemporaryDirectory(prefix="raysplay-") as folder:
        path = Path(folder) / "table.csv"
        with CsvTable(path, header) as table:
            for row in rows:
                table.append(row)
        return path.read_bytes()

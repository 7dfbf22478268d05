"""One reader's reads out of a table that holds several: by study, reader and repeat."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from raysplay.infer.user_table import Row, UserTable

CHOSEN_BY = ("study", "reader", "repeat")
"""Columns that tell reads of the same foot apart, in the order in which they are chosen by."""


@dataclass(frozen=True)
class Choice:
    """What a person wants of a table.

    Attributes
    ----------
    study, reader, repeat : str or None
        Whose reads are taken, where the table holds several; capitals make no difference. A study may be named without
        the digest behind its name.
    ignore : str
        Columns to leave out, with commas between.
    """

    study: str | None = None
    reader: str | None = None
    repeat: str | None = None
    ignore: str = ""


def chosen_rows(
    table: UserTable, choice: Choice, by: Sequence[str] = CHOSEN_BY
) -> tuple[list[Row], dict[str, str], Counter[str]]:
    """Rows of one study, reader and repeat, or of one of those in ``by`` alone.

    Returns
    -------
    list of Row
    dict of str to str
        Which study, reader and repeat they are of, as far as the table says.
    Counter of str
        How many rows were left out, by why.

    Raises
    ------
    UserTableError
        If the table holds several and none is chosen, or not the one that is chosen.
    """
    rows, taken, left_out = list(table.rows), dict[str, str](), Counter[str]()
    for column in by:
        wanted = getattr(choice, column)
        if column not in table.headings:
            if wanted is not None:
                raise table.error(f"there is no column {column} to find {wanted} in (--{column})")
            continue
        counts = Counter(row[column] for row in rows)
        value = _wanted(counts, wanted) if wanted is not None else _only(counts)
        if value is None:
            said = ", ".join(f"{name or 'empty'} ({n} rows)" for name, n in sorted(counts.items()))
            if wanted is not None:
                raise table.error(f"no {column} is called {wanted} (--{column}); there are {said}")
            example = next(name for name in sorted(counts) if name)
            raise table.error(
                f"holds more than one {column}: {said}. A foot would be compared several times; choose one by "
                f"--{column} {_quoted(example)}"
            )
        kept = [row for row in rows if row[column] == value]
        left_out[f"another {column}"] += len(rows) - len(kept)
        rows = kept
        if value:
            taken[column] = value
    return rows, taken, +left_out


def _only(counts: Counter[str]) -> str | None:
    return next(iter(counts)) if len(counts) == 1 else None


def _wanted(counts: Counter[str], wanted: str) -> str | None:
    """The value meant, or else the only one that starts with it up to the digest of a study."""
    same = [value for value in counts if value.lower() == wanted.lower()]
    named = [value for value in counts if value.rpartition("-")[0].lower() == wanted.lower()]
    found: Sequence[str] = same or named
    return found[0] if len(found) == 1 else None


def _quoted(text: str) -> str:
    return f'"{text}"' if " " in text else text

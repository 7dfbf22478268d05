"""Cells of a table of truth that hold a measure and how it was built."""

from __future__ import annotations

from raysplay.infer.compare.settings import evaluation_settings
from raysplay.infer.user_table import Row, UserTable, nearest_name
from raysplay.measure import by_name
from raysplay.measure.axes import CONSTRUCTIONS, NO_AXIS


def true_value(table: UserTable, row: Row, column: str, measure: str) -> float | None:
    """A measure's value, ``None`` where there is none.

    Raises
    ------
    UserTableError
        If the cell holds no number, or one that the measure cannot have.
    """
    unit = by_name(measure).unit
    value = table.number(row, column, unit)
    if value is None:
        return None
    low, high = evaluation_settings().possible_range(measure)
    if not low <= value <= high:
        raise table.error(
            f"{row[column]!r} cannot be: {by_name(measure).abbreviation} lies between {low:g} and {high:g} {unit}; is "
            "the decimal mark missing?",
            row,
            column,
        )
    return value


def stated_construction(table: UserTable, row: Row) -> str:
    """How the row says that its numbers were built; empty where it does not.

    Raises
    ------
    UserTableError
        If there is no construction of that name.
    """
    text = row["construction"].lower().replace(" ", "_").replace("-", "_")
    known = (*CONSTRUCTIONS, NO_AXIS)
    if text and text not in known:
        near = nearest_name(text, known)
        meant = f" (did you mean {near}?)" if near else ""
        raise table.error(
            f"{row['construction']!r} is no construction{meant}; there are {', '.join(known)}", row, "construction"
        )
    return text

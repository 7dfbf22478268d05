"""Truth with one row a foot and one column a measure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from raysplay.configs.views import VIEWS
from raysplay.infer.compare.true_foot import TrueFoot
from raysplay.infer.compare.truth_columns import POSITION
from raysplay.infer.compare.truth_values import stated_construction, true_value
from raysplay.infer.outputs.names import given_film
from raysplay.infer.user_table import Row, UserTable
from raysplay.measure.registry import under


def feet_of_rows(table: UserTable, rows: Iterable[Row], measures: Mapping[str, str]) -> list[TrueFoot]:
    """Feet in the order of their rows.

    Parameters
    ----------
    table : UserTable
    rows : iterable of Row
    measures : mapping of str to str
        Columns by name of the measure.

    Raises
    ------
    UserTableError
        If a cell is not what it should be.
    """
    return [_foot(table, row, measures) for row in rows]


def _foot(table: UserTable, row: Row, measures: Mapping[str, str]) -> TrueFoot:
    if not row["film"]:
        raise table.error("is empty; every row needs its film", row, "film")
    side = table.side(row, "foot", needed=False)
    view = table.one_of(row, "view", (*VIEWS, "")) or "dp"
    x, y, width, height = (table.number(row, name) for name in POSITION)
    angles = {
        name: value for name, column in measures.items() if (value := true_value(table, row, column, name)) is not None
    }
    construction = stated_construction(table, row)
    return TrueFoot(
        given_film(row["film"]),
        side,
        view,
        angles,
        None if x is None or y is None else (x, y),
        None if width is None or height is None else (width, height),
        seed=row["seed"],
        condition=row["condition"],
        constructions={name: under(name, construction).construction for name in angles} if construction else {},
        foot_index=table.whole_number(row, "foot_index") if row["foot_index"] else None,
        lines=(row.line,),
    )

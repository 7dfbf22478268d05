"""Tables of a store of reads. What is appended to is guarded by triggers; a table that is missing is made.

Later tables were added so that programs that do not know them can still use the store: the layout's number stays.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from sqlalchemy import event

LAYOUT = "1"

metadata = sa.MetaData()

about = sa.Table(
    "about",
    metadata,
    sa.Column("name", sa.String(40), primary_key=True),
    sa.Column("value", sa.String(200), nullable=False),
)

KEY = ("run", "study", "lane", "item")


def _key_columns(primary: bool) -> list[sa.Column[Any]]:
    return [
        sa.Column("run", sa.String(64), primary_key=primary, nullable=False),
        sa.Column("study", sa.String(120), primary_key=primary, nullable=False),
        sa.Column("lane", sa.String(16), primary_key=primary, nullable=False),
        sa.Column("item", sa.Integer, primary_key=primary, autoincrement=False, nullable=False),
    ]


history = sa.Table(
    "history",
    metadata,
    sa.Column("id", sa.BigInteger().with_variant(sa.Integer, "sqlite"), primary_key=True, autoincrement=True),
    *_key_columns(primary=False),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("at", sa.String(32), nullable=False),
    sa.Column("reader", sa.String(16), nullable=False),
    sa.Column("film", sa.Text, nullable=False),
    sa.Column("film_sha256", sa.String(64), nullable=False),
    sa.Column("foot_index", sa.Integer, nullable=False),
    sa.Column("verdict", sa.String(24), nullable=False),
    sa.Column("request", sa.String(64), nullable=False),
    sa.Column("before", sa.Text, nullable=False),
    sa.Column("after", sa.Text, nullable=False),
    sa.UniqueConstraint(*KEY, "version"),
    sqlite_autoincrement=True,
)

current = sa.Table(
    "current",
    metadata,
    *_key_columns(primary=True),
    sa.Column("version", sa.Integer, nullable=False),
    sa.Column("at", sa.String(32), nullable=False),
    sa.Column("reader", sa.String(16), nullable=False),
    sa.Column("after", sa.Text, nullable=False),
)

claims = sa.Table(
    "claims",
    metadata,
    *_key_columns(primary=True),
    sa.Column("reader", sa.String(16), nullable=False),
    sa.Column("until", sa.Float, nullable=False),
)

origins = sa.Table(
    "origins",
    metadata,
    sa.Column("run", sa.String(64), primary_key=True),
    sa.Column("item", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("from_run", sa.String(64), nullable=False),
    sa.Column("from_item", sa.Integer, nullable=False),
    sa.Column("from_version", sa.Integer, nullable=False),
)
"""Entries outside studies that were carried over from an earlier run, and the entry that each repeats."""

grounds = sa.Table(
    "grounds",
    metadata,
    sa.Column("run", sa.String(64), primary_key=True),
    sa.Column("item", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("ground", sa.Text, nullable=False),
)
"""What the model had left of a foot when it was first read, outside studies."""

lineage = sa.Table(
    "lineage",
    metadata,
    sa.Column("run", sa.String(64), primary_key=True),
    sa.Column("earlier", sa.String(64), primary_key=True),
)
"""Runs whose reads a run took over."""

places = sa.Table(
    "places",
    metadata,
    sa.Column("run", sa.String(64), primary_key=True),
    sa.Column("earlier", sa.String(64), primary_key=True),
    sa.Column("earlier_item", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("item", sa.Integer, nullable=False),
    sa.Column("outcome", sa.String(24), nullable=False),
)
"""Where each foot of an earlier run lies in a run (0: nowhere), and what became of its reads."""


def _append_only(table: sa.Table) -> None:
    name = table.name
    for change in ("UPDATE", "DELETE"):
        event.listen(
            table,
            "after_create",
            sa.DDL(
                f"CREATE TRIGGER {name}_refuses_{change.lower()} BEFORE {change} ON {name} "
                f"BEGIN SELECT RAISE(ABORT, 'the {name} table is append-only'); END"
            ).execute_if(dialect="sqlite"),
        )
    event.listen(
        table,
        "after_create",
        sa.DDL(
            f"CREATE FUNCTION {name}_refuses() RETURNS trigger LANGUAGE plpgsql AS "
            f"$$ BEGIN RAISE EXCEPTION 'the {name} table is append-only'; END $$; "
            f"CREATE TRIGGER {name}_refuses_change BEFORE UPDATE OR DELETE ON {name} "
            f"FOR EACH ROW EXECUTE FUNCTION {name}_refuses(); "
            f"CREATE TRIGGER {name}_refuses_truncate BEFORE TRUNCATE ON {name} "
            f"FOR EACH STATEMENT EXECUTE FUNCTION {name}_refuses()"
        ).execute_if(dialect="postgresql"),
    )


for _table in (history, origins, grounds):
    _append_only(_table)

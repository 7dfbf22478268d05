"""Tables of the ledger, the same in SQLite and in PostgreSQL."""

from __future__ import annotations

import sqlalchemy as sa

LAYOUT = "1"
"""Of these tables and of what stands in them; another one is refused."""

metadata = sa.MetaData()

about = sa.Table(
    "ledger_about",
    metadata,
    sa.Column("run", sa.Text, primary_key=True),
    sa.Column("name", sa.Text, primary_key=True),
    sa.Column("value", sa.Text, nullable=False),
)

films = sa.Table(
    "ledger_films",
    metadata,
    sa.Column("run", sa.Text, primary_key=True),
    sa.Column("place", sa.LargeBinary, primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("size", sa.BigInteger),
    sa.Column("changed_ns", sa.BigInteger),
    sa.Column("number", sa.BigInteger),
    sa.Column("digest", sa.Text, nullable=False),
    sa.Column("copy_of", sa.LargeBinary),
    sa.Column("gone", sa.Boolean, nullable=False),
    sa.Column("content", sa.LargeBinary),
    sa.Column("outcome", sa.Text, nullable=False),
    sa.Column("kinds", sa.Text, nullable=False),
    # With the place: else SQLite goes through all films in their order to find the first one with some bytes.
    sa.Index("ledger_films_by_content", "run", "digest", "place"),
)
"""A file: where it stands in the order of the tables, stamp, digest of its bytes (empty where they could not be read;
then ``content`` says why), the place of the file that it is a copy of. ``outcome`` and ``kinds`` are for counting."""

results = sa.Table(
    "ledger_results",
    metadata,
    sa.Column("run", sa.Text, primary_key=True),
    sa.Column("digest", sa.Text, primary_key=True),
    sa.Column("size", sa.BigInteger, nullable=False),
    sa.Column("content", sa.LargeBinary, nullable=False),
    sa.Column("outcome", sa.Text, nullable=False),
    sa.Column("kinds", sa.Text, nullable=False),
    sa.Column("seconds", sa.Float, nullable=False),
    sa.Column("pictures", sa.Text, nullable=False),
)
"""What was read of a film, by its bytes. ``pictures``: names of files in the folder of overlays, a line each."""

sessions = sa.Table(
    "ledger_sessions",
    metadata,
    sa.Column("run", sa.Text, primary_key=True),
    sa.Column("session", sa.Integer, primary_key=True),
    sa.Column("began", sa.Text, nullable=False),
    sa.Column("last", sa.Text, nullable=False),
    sa.Column("seconds", sa.Float, nullable=False),
    sa.Column("films", sa.Integer, nullable=False),
    sa.Column("recent_seconds", sa.Float, nullable=False),
    sa.Column("recent_films", sa.Integer, nullable=False),
    sa.Column("total", sa.Integer, nullable=False),
    sa.Column("stage", sa.Text, nullable=False),
)
"""One call of the command each. ``began`` and ``last`` are for people; all that is computed is of ``seconds``, by a
clock that nobody sets. ``total``: films to read; ``recent_``: over the last five minutes."""

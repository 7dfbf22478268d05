"""Reads of a film that was withdrawn, taken out of an embedded store with all that names it.

A store's history is append-only, and its triggers see to that; this is the one way out. It gives the store another
identity: whoever had it open before can save nothing into it any more (:meth:`.store.ReadStore.writing`), so that no
answer under way brings a read of that film back.
"""

from __future__ import annotations

import secrets
import sqlite3
from contextlib import closing
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.exc import SQLAlchemyError

from raysplay.infer.outputs.run_files import STORE
from raysplay.infer.review import store_tables as tables
from raysplay.infer.review.store_file import StoreError
from raysplay.infer.review.store_trouble import in_words

_BUSY_SECONDS = 10.0


def take_out_reads(folder: Path, sha256: str, file: str) -> None:
    """Take the reads of a film out of the store of a run's folder, those of earlier runs and of studies too.

    Done again, it finds nothing more to do. The file is written anew, so that nothing of them is left in it.

    Parameters
    ----------
    folder : Path
        Without a store there is nothing to do.
    sha256 : str
        Digest of the film.
    file : str
        Its name in the run; its frames and members go with it.

    Raises
    ------
    StoreError
        If the store cannot be used; then nothing was changed.
    """
    path = folder / STORE
    if not path.exists() or not path.stat().st_size:
        return
    engine = sa.create_engine(
        "sqlite://",
        creator=lambda: sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=_BUSY_SECONDS, isolation_level=None
        ),
        poolclass=sa.NullPool,
    )
    try:
        with engine.connect() as connection:
            for said in ("secure_delete=ON", "synchronous=EXTRA", "temp_store=MEMORY"):
                connection.exec_driver_sql(f"PRAGMA {said}")
            connection.exec_driver_sql("BEGIN IMMEDIATE")
            try:
                tables.metadata.create_all(connection)  # an earlier program had fewer
                _delete(connection, sha256, file)
            except BaseException:
                connection.exec_driver_sql("ROLLBACK")
                raise
            connection.exec_driver_sql("COMMIT")
        with closing(sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None)) as raw:
            raw.execute("PRAGMA temp_store=MEMORY")
            raw.execute("VACUUM")
    except SQLAlchemyError as error:
        cause = getattr(error, "orig", None) or error
        raise StoreError(f"{path}: reads cannot be taken out: {in_words(cause)}") from error
    except sqlite3.Error as error:
        raise StoreError(f"{path}: reads cannot be taken out: {in_words(error)}") from error
    finally:
        engine.dispose()


def _delete(connection: sa.Connection, sha256: str, file: str) -> None:
    history = tables.history
    of_film = sa.or_(
        history.c.film == file, history.c.film.startswith(f"{file}/", autoescape=True), history.c.film_sha256 == sha256
    )
    chosen = sa.select(*(history.c[name] for name in tables.KEY)).where(of_film).distinct()
    feet = [tuple(row) for row in connection.execute(chosen)]
    guarded = [
        (name, text)
        for name, text in connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
    ]
    for name, _ in guarded:
        connection.exec_driver_sql(f'DROP TRIGGER "{name}"')
    for key in feet:
        of = dict(zip(tables.KEY, key, strict=True))
        for table in (tables.history, tables.current, tables.claims):
            connection.execute(sa.delete(table).where(*(table.c[name] == value for name, value in of.items())))
        if of["study"]:
            continue
        run, item = of["run"], of["item"]
        for table, names in _BESIDE:
            columns = (table.c[name] for name in names)
            connection.execute(
                sa.delete(table).where(*(column == value for column, value in zip(columns, (run, item), strict=True)))
            )
    # Claims of feet that nobody has read yet name no film, but their numbers would be those of other feet.
    connection.execute(sa.delete(tables.claims))
    connection.execute(
        sa.update(tables.about).where(tables.about.c.name == "identity").values(value=secrets.token_hex(16))
    )
    for _, text in guarded:
        connection.exec_driver_sql(text)


_BESIDE = (
    (tables.grounds, ("run", "item")),
    (tables.origins, ("run", "item")),
    (tables.origins, ("from_run", "from_item")),
    (tables.places, ("run", "item")),
    (tables.places, ("earlier", "earlier_item")),
)
"""Tables that know a foot of a run by two columns."""

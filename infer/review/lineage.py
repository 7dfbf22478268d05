"""Reads of earlier runs in a store: what they were made on, where their feet lie now, and which of them stand."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa

from raysplay.infer.review import store_tables as tables
from raysplay.infer.review.store import Entry, ReadStore, StoreError, as_content, as_text, entry_of, lay_ground

Json = dict[str, Any]

STANDS, OTHER_MEASURES, POINTS_DIFFER, READ_LATER, FILM_GONE, BLIND, NOT_TAKEN_OVER = (
    "stands",
    "other measures",
    "points differ",
    "read later",
    "film gone",
    "blind read",
    "not taken over",
)
"""What became of a read of an earlier run.

It stands; it stands for its points, but the run reports other measures, so the foot was reopened; the model's points
are others, or not known; a later read of the same foot decides; the film is not among those of the run; it belongs to a
blind study of that run; it was made in that run after its reads had been taken over.
"""

REOPENED_BY = "measure"
"""Who reopens a foot whose run reports other measures; no reader's initials, which are capitals."""

_REOPENED = "The films were measured again for other measures: the points are kept, the foot is to be settled again."


@dataclass(frozen=True)
class EarlierFoot:
    """All reads of one foot of an earlier run, outside studies, oldest first; ``ground`` is None where not known."""

    run: str
    item: int
    ground: Json | None
    entries: tuple[Entry, ...]
    carried: int
    """How many of them that run had itself taken over."""

    @property
    def last(self) -> Entry:
        """The read that stood in that run."""
        return self.entries[-1]


@dataclass(frozen=True)
class Place:
    """Where a foot of an earlier run lies in the run (0: nowhere), and what became of its reads."""

    foot: EarlierFoot
    item: int
    outcome: str
    ground: Json | None = None
    """What the model left of the foot now."""


@dataclass(frozen=True)
class EarlierRead:
    """A read of an earlier run that does not stand, and why."""

    entry: Entry
    outcome: str


class Lineage:
    """What a store knows of the runs before its own."""

    def __init__(self, store: ReadStore) -> None:
        self._store = store
        self._run = store.run

    def grounds(self) -> dict[int, Json]:
        """What the model had left of each foot that was read."""
        with self._store.reading() as connection:
            return _grounds(connection, self._run)

    def groundless(self) -> list[int]:
        """Feet that were read by a program that did not yet keep their grounds."""
        read = sa.select(tables.current.c.item).where(tables.current.c.run == self._run, tables.current.c.study == "")
        known = sa.select(tables.grounds.c.item).where(tables.grounds.c.run == self._run)
        with self._store.reading() as connection:
            return list(connection.execute(read.where(tables.current.c.item.not_in(known))).scalars())

    def lay(self, grounds: Mapping[int, Json]) -> None:
        """Keep what the model left of feet; one that is known stays as it is."""
        if grounds:
            with self._store.writing() as connection:
                for item, ground in grounds.items():
                    lay_ground(connection, self._run, item, ground)

    def other_runs(self) -> tuple[str, ...]:
        """Every other run of which the store holds reads."""
        chosen = sa.select(tables.history.c.run).where(tables.history.c.run != self._run).distinct()
        with self._store.reading() as connection:
            return tuple(connection.execute(chosen.order_by(tables.history.c.run)).scalars())

    def feet(self, run: str) -> list[EarlierFoot]:
        """Feet of an earlier run that were read, outside studies."""
        history = tables.history
        with self._store.reading() as connection:
            grounds = _grounds(connection, run)
            carried = _copies(connection, run)
            chosen = sa.select(history).where(history.c.run == run, history.c.study == "")
            by_item: dict[int, list[Entry]] = {}
            for row in connection.execute(chosen.order_by(history.c.item, history.c.version)):
                by_item.setdefault(row.item, []).append(entry_of(row))
        return [
            EarlierFoot(run, item, grounds.get(item), tuple(entries), carried.get(item, 0))
            for item, entries in by_item.items()
        ]

    def take_over(
        self, runs: Iterable[str], places: Iterable[Place], reopened: Callable[[int, EarlierFoot], Json]
    ) -> None:
        """Let the reads that stand become reads of this run, all or none; done again, it adds what is new.

        A foot that was read in this run since keeps its own reads.

        Parameters
        ----------
        reopened : callable
            For a foot of the run whose measures are others: what stands of an earlier foot's last read, open again.
        """
        with self._store.writing() as connection:
            for run in runs:
                _insert_missing(connection, tables.lineage, {"run": self._run, "earlier": run}, {})
            for place in places:
                where = {"run": self._run, "earlier": place.foot.run, "earlier_item": place.foot.item}
                _insert_missing(connection, tables.places, where, {"item": place.item, "outcome": place.outcome})
                if place.outcome in (STANDS, OTHER_MEASURES):
                    self._stand(connection, place, reopened)

    def origins(self, item: int) -> dict[int, str]:
        """Run in which each carried version of a foot was read."""
        of = tables.origins.c
        with self._store.reading() as connection:
            chosen = sa.select(of.version, of.from_run).where(of.run == self._run, of.item == item)
            return {row.version: row.from_run for row in connection.execute(chosen)}

    def all_origins(self) -> dict[tuple[int, int], str]:
        """Run in which each carried entry was read, by item and version."""
        of = tables.origins.c
        with self._store.reading() as connection:
            chosen = sa.select(of.item, of.version, of.from_run).where(of.run == self._run)
            return {(item, version): run for item, version, run in connection.execute(chosen)}

    def earlier(self, item: int | None = None) -> list[EarlierRead]:
        """Reads of earlier runs that do not stand, oldest first: those of one foot, or all, studies included."""
        history, origins, places = tables.history, tables.origins, tables.places
        with self._store.reading() as connection:
            runs = _earlier(connection, self._run)
            if not runs:
                return []
            of_entry = [history.c[name] == origins.c[name] for name in ("run", "item", "version")]
            copies = sa.select(origins.c.run).where(*of_entry, history.c.study == "")
            repeated = sa.select(origins.c.run).where(
                origins.c.run == self._run,
                *(origins.c[f"from_{name}"] == history.c[name] for name in ("run", "item", "version")),
                history.c.study == "",
            )
            lies = sa.and_(
                places.c.run == self._run,
                places.c.earlier == history.c.run,
                places.c.earlier_item == history.c.item,
                history.c.study == "",
            )
            chosen = (
                sa.select(history, places.c.outcome)
                .select_from(history.outerjoin(places, lies))
                .where(history.c.run.in_(runs), ~sa.exists(copies), ~sa.exists(repeated))
                .order_by(history.c.at, history.c.id)
            )
            if item is not None:
                chosen = chosen.where(places.c.item == item)
            return [
                EarlierRead(entry_of(row), BLIND if row.study else _standing_no_more(row.outcome))
                for row in connection.execute(chosen)
            ]

    def copy_from(self, source: ReadStore) -> None:
        """Bring everything that another store holds into this one, as it is there; what is known stays.

        Raises
        ------
        StoreError
            If both hold different reads of one foot of the same run; then nothing is brought.
        """
        own = False
        with source.reading() as there, self._store.writing() as here:
            for table in (tables.history, tables.grounds, tables.origins, tables.lineage, tables.places):
                names = _unique(table)
                rest = [column for column in table.c if column.name != "id"]
                order = table.c.id if "id" in table.c else table.c.run
                for row in there.execute(sa.select(*rest).order_by(order)).mappings():
                    known = here.execute(
                        sa.select(table).where(*(table.c[name] == row[name] for name in names))
                    ).first()
                    if known is None:
                        here.execute(sa.insert(table).values(**row))
                        own |= table is tables.history and row["run"] == self._run
                    elif table is tables.history and (known.at, known.reader) != (row["at"], row["reader"]):
                        raise StoreError(
                            f"{source.name} and {self._store.name} hold different reads of the same foot "
                            f"({row['film']}): they cannot be put together. Both were left as they are"
                        )
            if own:
                self._store.rebuild(here)

    def _stand(self, connection: sa.Connection, place: Place, reopened: Callable[[int, EarlierFoot], Json]) -> None:
        """Repeat a foot's reads under its number in this run, from where they were repeated before."""
        history, origins, foot = tables.history, tables.origins, place.foot
        there = sa.and_(history.c.run == self._run, history.c.study == "", history.c.item == place.item)
        have = connection.execute(sa.select(sa.func.count()).select_from(history).where(there)).scalar_one()
        before = _sources(connection, self._run, place.item)
        sources = _sources(connection, foot.run, foot.item)
        chain = [sources.get(one.version, (foot.run, foot.item, one.version)) for one in foot.entries]
        if len(before) != have or [before[version] for version in sorted(before)] != chain[:have] or have == len(chain):
            return
        rows = []
        for one, came_from in zip(foot.entries[have:], chain[have:], strict=True):
            rows.append(_row(self._run, place.item, one.version, one))
            named = dict(zip(("from_run", "from_item", "from_version"), came_from, strict=True))
            connection.execute(sa.insert(origins).values(run=self._run, item=place.item, version=one.version, **named))
        if place.ground is not None:
            lay_ground(connection, self._run, place.item, place.ground)
        if place.outcome == OTHER_MEASURES:
            rows.append(self._reopening(place, reopened))
        connection.execute(sa.insert(history), rows)
        current = {column.name: rows[-1][column.name] for column in tables.current.c}
        of = [tables.current.c[name] == current[name] for name in tables.KEY]
        connection.execute(sa.delete(tables.current).where(*of))
        connection.execute(sa.insert(tables.current).values(**current))

    def _reopening(self, place: Place, reopened: Callable[[int, EarlierFoot], Json]) -> Json:
        last = place.foot.last
        after = {**reopened(place.item, place.foot), "note": _REOPENED}
        return {
            **_row(self._run, place.item, last.version + 1, last),
            "at": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "reader": REOPENED_BY,
            "verdict": "reopen",
            "before": as_text(last.after),
            "after": as_text(after),
        }


def _standing_no_more(outcome: str | None) -> str:
    return NOT_TAKEN_OVER if outcome is None else READ_LATER if outcome in (STANDS, OTHER_MEASURES) else outcome


def _row(run: str, item: int, version: int, entry: Entry) -> Json:
    return {
        "run": run,
        "study": "",
        "lane": "",
        "item": item,
        "version": version,
        "at": entry.at,
        "reader": entry.reader,
        "film": entry.film,
        "film_sha256": entry.film_sha256,
        "foot_index": entry.foot_index,
        "verdict": entry.verdict,
        "request": "",
        "before": as_text(entry.before),
        "after": as_text(entry.after),
    }


def _grounds(connection: sa.Connection, run: str) -> dict[int, Json]:
    chosen = sa.select(tables.grounds.c.item, tables.grounds.c.ground).where(tables.grounds.c.run == run)
    return {item: as_content(ground) for item, ground in connection.execute(chosen)}


def _earlier(connection: sa.Connection, run: str) -> tuple[str, ...]:
    chosen = sa.select(tables.lineage.c.earlier).where(tables.lineage.c.run == run)
    return tuple(connection.execute(chosen.order_by(tables.lineage.c.earlier)).scalars())


def _copies(connection: sa.Connection, run: str) -> dict[int, int]:
    """Carried entries of every foot of a run."""
    of = tables.origins.c
    counted = sa.select(of.item, sa.func.count()).where(of.run == run).group_by(of.item)
    return {row.item: row[1] for row in connection.execute(counted)}


def _sources(connection: sa.Connection, run: str, item: int) -> dict[int, tuple[str, int, int]]:
    """Run, item and version that each carried version of a foot repeats."""
    of = tables.origins.c
    chosen = sa.select(of.version, of.from_run, of.from_item, of.from_version).where(of.run == run, of.item == item)
    return {version: (from_run, from_item, made) for version, from_run, from_item, made in connection.execute(chosen)}


def _unique(table: sa.Table) -> tuple[str, ...]:
    """Columns that tell the rows of a table apart, whichever store they are in."""
    if table is tables.history:
        return (*tables.KEY, "version")
    return tuple(column.name for column in table.primary_key.columns)


def _insert_missing(connection: sa.Connection, table: sa.Table, where: Json, rest: Json) -> None:
    chosen = [table.c[name] == value for name, value in where.items()]
    if connection.execute(sa.select(table).where(*chosen)).first() is None:
        connection.execute(sa.insert(table).values(**where, **rest))

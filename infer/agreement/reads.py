"""Reads of people out of their tables: one number of one foot by one reader in one session."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

from raysplay.infer.agreement.columns import A_NUMBER, NumberColumn, ReadColumns, known_measure, read_columns
from raysplay.infer.agreement.workbook import read_table
from raysplay.infer.compare.truth_choice import Choice, chosen_rows
from raysplay.infer.compare.truth_reads import UNFIT, WITH_NUMBERS, measure_of_row
from raysplay.infer.compare.truth_values import stated_construction, true_value
from raysplay.infer.outputs.names import given_film
from raysplay.infer.review.worklist import OPEN, STATES
from raysplay.infer.user_table import Row, UserTable, UserTableError
from raysplay.measure.registry import under


@dataclass(frozen=True, slots=True)
class Read:
    """One number of one foot.

    ``construction`` is empty where the table does not say how the number was built; ``line`` counts from 1 in
    ``table``. ``place`` tells two feet of one side on a film apart, where the table does.
    """

    film: str
    side: str
    reader: str
    session: str
    measure: str
    value: float
    construction: str
    table: str
    line: int
    place: str = ""


@dataclass(frozen=True, slots=True)
class UnusedRow:
    """A row, or a cell of it, that gave no number; ``slip`` where it should have given one."""

    table: str
    line: int
    film: str
    foot: str
    reader: str
    measure: str
    reason: str
    slip: bool = False


@dataclass(frozen=True)
class FilmFact:
    """What a table says of the person on a film; empty where it does not."""

    person: str = ""
    sex: str = ""
    site: str = ""


@dataclass(frozen=True)
class ReadTables:
    """All that was read.

    Attributes
    ----------
    reads : tuple of Read
    unused : tuple of UnusedRow
    shown : tuple of str
        Which file has what in which column, in sentences.
    facts : mapping of str to FilmFact
        By film as written.
    rows : mapping of str to int
        Rows by table.
    paths : tuple of Path
    """

    reads: tuple[Read, ...]
    unused: tuple[UnusedRow, ...]
    shown: tuple[str, ...]
    facts: Mapping[str, FilmFact]
    rows: Mapping[str, int]
    paths: tuple[Path, ...]


@dataclass(frozen=True)
class ReadOptions:
    """How tables are to be taken: sheet of a workbook, columns by role, columns to leave out, the measure of tables
    that name none, and the study where a table holds several."""

    sheet: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    ignore: tuple[str, ...] = ()
    measure: str | None = None
    study: str | None = None


def read_reads(paths: Sequence[Path], options: ReadOptions = ReadOptions()) -> ReadTables:
    """Read tables of reads: tidy, wide, sheets of workbooks, or ``reads.csv`` of ``raysplay export``.

    A cell that cannot be used is told as an :class:`UnusedRow` with ``slip``; nothing else is lost with it.

    Raises
    ------
    UserTableError
        If a table as a whole cannot be used.
    """
    reads: list[Read] = []
    unused: list[UnusedRow] = []
    shown: list[str] = []
    facts: dict[str, FilmFact] = {}
    rows: dict[str, int] = {}
    measure = None if options.measure is None else known_measure(options.measure)
    for path in paths:
        table = read_table(path, options.sheet)
        columns = read_columns(table, options.columns, options.ignore, measure)
        name = str(table.path)
        if name in rows:
            raise UserTableError(f"{name}: is given twice")
        rows[name] = len(table.rows)
        written = f"{table.separator}s between cells, {table.encoding}"
        shown += [f"{name}: {len(table.rows)} rows; {written}", *columns.lines(table)]
        one = _OneTable(table, columns, options.study)
        if not any(column.reader for column in columns.numbers) and "reader" not in columns.roles:
            shown.append(
                f"  no reader is named; all are taken to be of reader {one.unnamed}, after the name of the file"
            )
        reads += one.reads()
        unused += one.unused
        for film, fact in one.facts.items():
            if facts.setdefault(film, fact) != fact:
                unused.append(
                    UnusedRow(
                        name, 0, film, "", "", "", "person, sex or site of this film contradict another row", True
                    )
                )
    kept, doubled = _once(_called_alike(reads))
    return ReadTables(tuple(kept), (*unused, *doubled), tuple(shown), facts, rows, tuple(Path(p) for p in rows))


class _OneTable:
    """Goes through one table and keeps what of it was not used."""

    def __init__(self, table: UserTable, columns: ReadColumns, study: str | None) -> None:
        self.table, self.columns = table, columns
        self.unused: list[UnusedRow] = []
        self.facts: dict[str, FilmFact] = {}
        self.unnamed = table.path.stem.upper()
        self._name = str(table.path)
        # What reads a row knows the project's own names of columns.
        self._renamed = {role: column for role, column in columns.roles.items() if role != column}
        self._tells_facts = bool({"person", "sex", "site"} & columns.roles.keys())
        self._doubtful = {one.column: table.doubtful_commas(one.column) for one in columns.numbers}
        by_study = Choice(study=study)
        self._rows: Sequence[Row] = table.rows
        if "study" in table.headings or study is not None:
            self._rows, _, left_out = chosen_rows(table, by_study, ("study",))
            kept = {row.line for row in self._rows}
            if left_out:
                self.unused += [
                    self._row_unused(row, "another study", slip=False) for row in table.rows if row.line not in kept
                ]

    def reads(self) -> Iterator[Read]:
        for row in self._rows:
            known = row if not self._renamed else Row(row.line, {**row.cells, **self._own_names(row)})
            try:
                yield from self._of_row(known)
            except UserTableError as error:
                self.unused.append(self._row_unused(known, _without_place(error, self.table, row), slip=True))

    def _own_names(self, row: Row) -> dict[str, str]:
        return {role: row[column] for role, column in self._renamed.items()}

    def _of_row(self, row: Row) -> Iterator[Read]:
        table, roles = self.table, self.columns.roles
        if not row["film"]:
            raise table.error("is empty; every row needs its film", row, "film")
        film = _film(row["film"])
        side = table.side(row, "foot", needed=False) if "foot" in roles else ""
        state = table.one_of(row, "state", (*STATES, "")) if row["state"] else ""
        self._note_facts(film, row)
        if state == OPEN or state in UNFIT:
            self.unused.append(
                self._row_unused(row, "a read that is still open" if state == OPEN else UNFIT[state], slip=False)
            )
            return
        if row["view"] and row["view"].lower() != "dp":
            self.unused.append(self._row_unused(row, "no dorsoplantar view by its reader", slip=False))
            return
        construction = stated_construction(table, row)
        if "measure" in roles:
            measure = measure_of_row(table, row)
            if not measure:
                self.unused.append(self._row_unused(row, "no number", slip=False))
                return
        else:
            measure = ""
        assert state in WITH_NUMBERS
        for one in self.columns.numbers:
            yield from self._number(row, one, film, one.side or side, one.measure or measure, construction)

    def _number(
        self, row: Row, one: NumberColumn, film: str, side: str, measure: str, construction: str
    ) -> Iterator[Read]:
        reader = one.reader or row["reader"] or self.unnamed
        try:
            if row.line in self._doubtful[one.column]:
                raise self.table.error(
                    f"{row[one.column]!r}: the comma may stand before decimals or between thousands; write the number "
                    "without it or with a decimal point",
                    row,
                    one.column,
                )
            value = true_value(self.table, row, one.column, measure)
        except UserTableError as error:
            reason = _without_place(error, self.table, row)
            self.unused.append(UnusedRow(self._name, row.line, film, side, reader, measure, reason, True))
            return
        if value is None:
            # An empty cell of a wide table says no more than that this reader did not read this foot.
            if row[one.column] or self.columns.row_is == A_NUMBER:
                self.unused.append(UnusedRow(self._name, row.line, film, side, reader, measure, "no number"))
            return
        if not side:
            self.unused.append(
                UnusedRow(self._name, row.line, film, side, reader, measure, "a number, but no foot is named", True)
            )
            return
        built = under(measure, construction).construction if construction else ""
        session = one.session or row["session"] or "1"
        yield Read(film, side, reader, session, measure, value, built, self._name, row.line, row["foot_index"])

    def _note_facts(self, film: str, row: Row) -> None:
        if film in self.facts or not self._tells_facts:
            return
        fact = FilmFact(row["person"], row["sex"].lower(), row["site"])
        if fact != FilmFact():
            self.facts[film] = fact

    def _row_unused(self, row: Row, reason: str, *, slip: bool) -> UnusedRow:
        return UnusedRow(
            self._name, row.line, row["film"], row["foot"], row["reader"], row["measure"].lower(), reason, slip
        )


@lru_cache(maxsize=2**16)
def _film(text: str) -> str:
    return given_film(text)


def _without_place(error: UserTableError, table: UserTable, row: Row) -> str:
    """What an error says, without file and line, which stand in columns of their own."""
    return (
        str(error).removeprefix(f"{table.path}: ").removeprefix(f"line {row.line}, ").removeprefix(f"line {row.line}: ")
    )


def _called_alike(reads: Iterable[Read]) -> Iterator[Read]:
    """Readers by the name that is written first: capitals make no difference."""
    first: dict[str, str] = {}
    for read in reads:
        reader = first.setdefault(read.reader.upper(), read.reader)
        yield read if reader == read.reader else replace(read, reader=reader)


def _once(reads: Iterable[Read]) -> tuple[list[Read], list[UnusedRow]]:
    """Each number once: a second one that says the same is left out, and both where they differ."""
    first: dict[tuple[str, ...], Read] = {}
    again: list[UnusedRow] = []
    differ: set[tuple[str, ...]] = set()
    for read in reads:
        key: tuple[str, ...] = (read.film, read.side, read.place, read.reader, read.session, read.measure)
        kept = first.setdefault(key, read)
        if kept is read:
            continue
        where = f"line {kept.line}" + (f" of {kept.table}" if kept.table != read.table else "")
        if kept.value == read.value:
            again.append(_of_read(read, f"stands in {where} already, with the same value", slip=False))
        else:
            said = f"stands in {where} already, with another value ({kept.value:g}, here {read.value:g})"
            again.append(_of_read(read, said, slip=True))
            differ.add(key)
    for key in differ:
        again.append(_of_read(first[key], "stands again further on, with another value", slip=True))
        del first[key]
    return list(first.values()), again


def _of_read(read: Read, reason: str, *, slip: bool) -> UnusedRow:
    return UnusedRow(read.table, read.line, read.film, read.side, read.reader, read.measure, reason, slip)


def unused_read(read: Read, reason: str, *, slip: bool = False) -> UnusedRow:
    """A number that was read and is not used."""
    return _of_read(read, reason, slip=slip)


def renamed(read: Read, film: str, side: str) -> Read:
    """The number as one of another foot."""
    if read.film == film and read.side == side:
        return read
    return replace(read, film=film, side=side)

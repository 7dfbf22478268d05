"""Reads of people out of their tables: one number of one foot by one reader in one session."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import astuple, dataclass, field, replace
from enum import StrEnum
from functools import lru_cache
from pathlib import Path

from raysplay.infer.agreement.columns import A_NUMBER, NumberColumn, ReadColumns, known_measure, read_columns
from raysplay.infer.agreement.workbook import HiddenCells, read_table
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


class Unused(StrEnum):
    """Why a row or a cell gave no number, in the words of the flow of films."""

    HIDDEN = "hidden in the workbook"
    OTHER_STUDY = "of another study"
    STILL_OPEN = "a read that is still open"
    UNFIT = "not measurable, or another view, by its reader"
    NO_NUMBER = "no number"
    BAD_CELL = "a cell that cannot be used"
    NO_FOOT = "a number, but no foot is named"
    NO_READER = "a number, but no reader is named"
    TWICE = "a number that stands twice"
    CONTRADICTED = "a number that stands twice with two values"
    OTHER_FACT = "person, sex, site or repeat of a film contradict another row"
    UNCLEAR_FILM = "the film could be one of several"
    UNKNOWN_FILM = "no film of the run has this name"
    COPIED_FILM = "the film is a copy of another one"
    TWO_OF_A_SIDE = "of one of two feet of the same side on a film"
    OTHER_CONSTRUCTION = "read by another construction"
    NOT_REPORTED = "the run does not report this measure"


@dataclass(frozen=True, slots=True)
class UnusedRow:
    """A row, or a cell of it, that gave no number; ``slip`` where it should have given one."""

    table: str
    line: int
    film: str
    foot: str
    reader: str
    measure: str
    kind: Unused
    reason: str
    slip: bool = False


@dataclass(frozen=True)
class FilmFact:
    """What a table says of a film and the person on it; empty where it does not.

    ``repeat_of`` names an earlier film of the same feet, for which they stood anew.
    """

    person: str = ""
    sex: str = ""
    site: str = ""
    repeat_of: str = ""


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
    """How tables are to be taken.

    Attributes
    ----------
    sheet : str, optional
        Of a workbook.
    columns : mapping of str to str
        Columns by role.
    ignore : tuple of str
        Columns to leave out.
    measure : str, optional
        Of tables that name none.
    study : str, optional
        Where a table holds several.
    hidden : {'use', 'leave_out'}, optional
        What becomes of hidden rows and columns of a workbook.
    repeats : Path, optional
        Table of films that are of the same feet as another film: columns ``film`` and ``repeat_of``.
    """

    sheet: str | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    ignore: tuple[str, ...] = ()
    measure: str | None = None
    study: str | None = None
    hidden: HiddenCells | None = None
    repeats: Path | None = None


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
        sheet = read_table(path, options.sheet, options.hidden)
        table = sheet.table
        columns = read_columns(table, options.columns, options.ignore, measure)
        name = str(table.path)
        if name in rows:
            raise UserTableError(f"{name}: is given twice")
        rows[name] = len(table.rows)
        written = f"{table.separator}s between cells, {table.encoding}"
        shown += [f"{name}: {len(table.rows)} rows; {written}", *columns.lines(table)]
        shown += [f"  {said}" for said in sheet.said]
        one = _OneTable(table, columns, options.study, sheet.left_out)
        if not any(column.reader for column in columns.numbers) and "reader" not in columns.roles:
            shown.append(
                f"  no reader is named; all are taken to be of reader {one.unnamed}, after the name of the file"
            )
        reads += one.reads()
        unused += one.unused
        for film, fact in one.facts.items():
            both = _together(facts.get(film, FilmFact()), fact)
            facts[film] = both or facts[film]
            if both is None:
                unused.append(UnusedRow(name, 0, film, "", "", "", Unused.OTHER_FACT, Unused.OTHER_FACT.value, True))
    if options.repeats is not None:
        shown += _note_repeats(options.repeats, options, facts)
    kept, doubled = _once(_called_alike(reads))
    return ReadTables(tuple(kept), (*unused, *doubled), tuple(shown), facts, rows, tuple(Path(p) for p in rows))


class _OneTable:
    """Goes through one table and keeps what of it was not used."""

    def __init__(self, table: UserTable, columns: ReadColumns, study: str | None, left_out: Collection[int]) -> None:
        self.table, self.columns = table, columns
        self.unused: list[UnusedRow] = []
        self.facts: dict[str, FilmFact] = {}
        self._contradicted: set[tuple[str, FilmFact]] = set()
        self.unnamed = table.path.stem.upper()
        self._name = str(table.path)
        # What reads a row knows the project's own names of columns.
        self._renamed = {role: column for role, column in columns.roles.items() if role != column}
        self._tells_facts = bool(set(_FACTS) & columns.roles.keys())
        reader = columns.roles.get("reader")
        self._readers_named = reader is not None and any(row[reader] for row in table.rows)
        self._doubtful = {one.column: table.doubtful_commas(one.column) for one in columns.numbers}
        by_study = Choice(study=study)
        self._rows: Sequence[Row] = table.rows
        if left_out:
            self._rows = [row for row in table.rows if row.line not in left_out]
            self.unused += [self._row_unused(row, Unused.HIDDEN) for row in table.rows if row.line in left_out]
        if "study" in table.headings or study is not None:
            rows = self._rows
            self._rows, _, _ = chosen_rows(replace(table, rows=tuple(rows)), by_study, ("study",))
            kept = {row.line for row in self._rows}
            self.unused += [self._row_unused(row, Unused.OTHER_STUDY) for row in rows if row.line not in kept]

    def reads(self) -> Iterator[Read]:
        for row in self._rows:
            known = row if not self._renamed else Row(row.line, {**row.cells, **self._own_names(row)})
            try:
                yield from self._of_row(known)
            except UserTableError as error:
                reason = _without_place(error, self.table, row)
                self.unused.append(self._row_unused(known, Unused.BAD_CELL, reason, slip=True))

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
            open_still = state == OPEN
            kind, said = (Unused.STILL_OPEN, "") if open_still else (Unused.UNFIT, UNFIT[state])
            self.unused.append(self._row_unused(row, kind, said))
            return
        if row["view"] and row["view"].lower() != "dp":
            self.unused.append(self._row_unused(row, Unused.UNFIT, "no dorsoplantar view by its reader"))
            return
        construction = stated_construction(table, row)
        if "measure" in roles:
            measure = measure_of_row(table, row)
            if not measure:
                self.unused.append(self._row_unused(row, Unused.NO_NUMBER))
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
            self.unused.append(
                UnusedRow(self._name, row.line, film, side, reader, measure, Unused.BAD_CELL, reason, True)
            )
            return
        if value is None:
            # An empty cell of a wide table says no more than that this reader did not read this foot.
            if row[one.column] or self.columns.row_is == A_NUMBER:
                about = (self._name, row.line, film, side, reader, measure)
                self.unused.append(UnusedRow(*about, Unused.NO_NUMBER, Unused.NO_NUMBER.value))
            return
        if not side:
            about = (self._name, row.line, film, side, reader, measure)
            self.unused.append(UnusedRow(*about, Unused.NO_FOOT, Unused.NO_FOOT.value, True))
            return
        if self._readers_named and not (one.reader or row["reader"]):
            # To take it for a reader called after the file would make up a person.
            about = (self._name, row.line, film, side, "", measure)
            self.unused.append(UnusedRow(*about, Unused.NO_READER, Unused.NO_READER.value, True))
            return
        built = under(measure, construction).construction if construction else ""
        session = one.session or row["session"] or "1"
        yield Read(film, side, reader, session, measure, value, built, self._name, row.line, row["foot_index"])

    def _note_facts(self, film: str, row: Row) -> None:
        if not self._tells_facts:
            return
        earlier = _film(row["repeat_of"]) if row["repeat_of"] else ""
        fact = FilmFact(row["person"], row["sex"].lower(), row["site"], earlier)
        known = self.facts.get(film)
        if fact in (known, FilmFact()):
            return
        both = fact if known is None else _together(known, fact)
        if both is not None:
            self.facts[film] = both
        elif (film, fact) not in self._contradicted:  # once, not at every number of the film
            self._contradicted.add((film, fact))
            self.unused.append(self._row_unused(row, Unused.OTHER_FACT, _contradiction(known, fact), slip=True))

    def _row_unused(self, row: Row, kind: Unused, reason: str = "", *, slip: bool = False) -> UnusedRow:
        about = (self._name, row.line, row["film"], row["foot"], row["reader"], row["measure"].lower())
        return UnusedRow(*about, kind, reason or kind.value, slip)


def _together(one: FilmFact, other: FilmFact) -> FilmFact | None:
    """Both facts in one; None where they contradict each other."""
    pairs = list(zip(astuple(one), astuple(other), strict=True))
    return None if any(a and b and a != b for a, b in pairs) else FilmFact(*(a or b for a, b in pairs))


def _contradiction(known: FilmFact | None, here: FilmFact) -> str:
    """What two rows say of one film; the number of the row is used all the same."""
    pairs = zip(_FACTS, astuple(known or FilmFact()), astuple(here), strict=True)
    said = [f"{name} is {b} here and {a} in an earlier row" for name, a, b in pairs if a and b and a != b]
    return f"of this film, {', '.join(said)}"


_FACTS = ("person", "sex", "site", "repeat_of")


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
            again.append(unused_read(read, Unused.TWICE, f"stands in {where} already, with the same value"))
        else:
            said = f"stands in {where} already, with another value ({kept.value:g}, here {read.value:g})"
            again.append(unused_read(read, Unused.CONTRADICTED, said, slip=True))
            differ.add(key)
    for key in differ:
        said = "stands again further on, with another value"
        again.append(unused_read(first[key], Unused.CONTRADICTED, said, slip=True))
        del first[key]
    return list(first.values()), again


def unused_read(read: Read, kind: Unused, reason: str = "", *, slip: bool = False) -> UnusedRow:
    """A number that was read and is not used; the kind says why unless a reason does."""
    about = (read.table, read.line, read.film, read.side, read.reader, read.measure)
    return UnusedRow(*about, kind, reason or kind.value, slip)


def _note_repeats(path: Path, options: ReadOptions, facts: dict[str, FilmFact]) -> Iterator[str]:
    """Take in which films repeat which, from a table of their own; sentences on what it holds."""
    sheet = read_table(path, None, options.hidden)
    table = sheet.table
    for needed in ("film", "repeat_of"):
        if needed not in table.headings:
            raise table.error(f"no column is called {needed}; a table of repeat films needs film and repeat_of")
    count = 0
    for row in table.rows:
        if row.line in sheet.left_out or not row["repeat_of"]:
            continue
        if not row["film"]:
            raise table.error("is empty; every row needs its film", row, "film")
        film, earlier = _film(row["film"]), _film(row["repeat_of"])
        known = facts.get(film, FilmFact())
        if known.repeat_of not in ("", earlier):
            raise table.error(f"this film is a repeat of {known.repeat_of} by another row", row, "repeat_of")
        facts[film] = replace(known, repeat_of=earlier)
        count += 1
    yield f"{path}: {count} films of feet that stand on another film, too (repeat films)"
    yield from (f"  {said}" for said in sheet.said)


def renamed(read: Read, film: str, side: str) -> Read:
    """The number as one of another foot."""
    if read.film == film and read.side == side:
        return read
    return replace(read, film=film, side=side)

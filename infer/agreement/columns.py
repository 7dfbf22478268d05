"""What the columns of a table of reads are: recognised by their names, shown before they are used."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from raysplay.infer.compare.truth_columns import (
    MOSTLY_NUMBERS,
    can_be_of_a_reader,
    measure_and_label,
    nearest_measure,
    refuse_own_numbers,
)
from raysplay.infer.user_table import UserTable, UserTableError, nearest_name
from raysplay.measure import MEASURES
from raysplay.measure.sides import foot_words, side_of

ROLES: Mapping[str, tuple[str, ...]] = {
    "film": ("film", "image", "radiograph", "filename", "file"),
    "foot": ("foot", "side", "laterality"),
    "reader": ("reader", "rater", "observer"),
    "session": ("session", "repeat", "round", "occasion"),
    "measure": ("measure", "angle", "measurement"),
    "value": ("value",),
    "unit": ("unit",),
    "construction": ("construction",),
    "state": ("state",),
    "foot_index": ("foot_index",),
    "study": ("study",),
    "view": ("view",),
    "when": ("when",),
    "person": ("person",),
    "sex": ("sex",),
    "site": ("site",),
    "repeat_of": ("repeat_of",),
}
"""What a column can be, and the names by which it is known; the first is the project's own."""

A_NUMBER, A_FOOT, A_MEASURE = "a number", "a foot", "a measure of a foot"
"""What a row is."""

_SESSION = re.compile(r"(?:session|repeat|round|occasion|time|t|s)[\W_]*(\d+)")
_READER_WORDS = ("reader", "rater", "observer")


@dataclass(frozen=True)
class NumberColumn:
    """A column of numbers; what is empty is told by the row."""

    column: str
    measure: str = ""
    reader: str = ""
    session: str = ""
    side: str = ""


@dataclass(frozen=True)
class ReadColumns:
    """Columns of a table of reads.

    Attributes
    ----------
    row_is : str
        One of :data:`A_NUMBER`, :data:`A_FOOT`, :data:`A_MEASURE`.
    roles : mapping of str to str
        Column by what it is (:data:`ROLES`).
    numbers : tuple of NumberColumn
    ignored : tuple of str
        Columns left out, as written.
    """

    row_is: str
    roles: Mapping[str, str]
    numbers: tuple[NumberColumn, ...]
    ignored: tuple[str, ...]

    def lines(self, table: UserTable) -> Iterable[str]:
        """What was recognised, in sentences."""
        yield f"  a row is {self.row_is}; " + ", ".join(
            role if table.headings[column].lower() == role else f"{role} in {table.headings[column]}"
            for role, column in self.roles.items()
        )
        for one in self.numbers:
            if self.row_is == A_NUMBER:
                continue
            side = foot_words(one.side) if one.side else ""
            session = f"session {one.session}" if one.session else ""
            told = [one.measure or "the row's measure", f"reader {one.reader}" if one.reader else "", session, side]
            yield f"    {table.headings[one.column]}: {', '.join(part for part in told if part)}"
        if self.ignored:
            yield f"  columns not used: {', '.join(self.ignored)}"


def read_columns(
    table: UserTable, given: Mapping[str, str] | None = None, ignore: Iterable[str] = (), measure: str | None = None
) -> ReadColumns:
    """Tell what the columns of a table of reads are.

    Parameters
    ----------
    table : UserTable
    given : mapping of str to str, optional
        Columns by what they are, where their names do not tell.
    ignore : iterable of str
        Columns to leave out; any capitals.
    measure : str, optional
        What all numbers are of a table that has a column a reader and names no measure.

    Raises
    ------
    UserTableError
        If a column is missing, could be a measure under a wrong name, or could be two things; or the table holds the
        model's own numbers.
    """
    refuse_own_numbers(table)
    left_out = {" ".join(name.lower().split()) for name in ignore} - {""}
    for name in sorted(left_out - table.headings.keys()):
        raise table.error(f"there is no column {name} to leave out (--ignore)")
    roles = _roles(table, given or {}, left_out)
    for needed in ("film",):
        if needed not in roles:
            raise table.error(
                f"no column is called {needed} ({', '.join(ROLES[needed])} are known); the table holds "
                f"{', '.join(table.headings.values())}. Say which it is: --column {needed}=NAME"
            )
    left = [c for c in table.headings if c not in roles.values() and c not in left_out]
    if "measure" in roles and "value" in roles:
        row_is, numbers = A_NUMBER, [NumberColumn(roles["value"])]
    elif "measure" in roles or measure is not None:
        row_is = A_MEASURE
        numbers = [
            NumberColumn(c, measure or "", *_reader_and_session(c))
            for c in left
            if table.share_of_numbers(c) >= MOSTLY_NUMBERS
        ]
    else:
        row_is, numbers = A_FOOT, list(_of_measures(table, left, roles))
    taken = {one.column for one in numbers}
    unknown = [c for c in left if c not in taken]
    _refuse_unknown(table, unknown, roles, sought=row_is == A_FOOT)
    if not numbers:
        raise table.error(
            "holds no number that could be used: needed are columns measure and value, or a column a measure (hva, "
            "hva_AB, ...), or a column a reader and --measure NAME"
        )
    if "foot" not in roles and not all(one.side for one in numbers):
        raise table.error(
            f"no column says which foot it is ({', '.join(ROLES['foot'])} are known, or columns such as hva_AB_L)"
        )
    if "foot" in roles and any(one.side for one in numbers):
        one = next(one for one in numbers if one.side)
        raise table.error(
            f"the foot stands in column {table.headings[roles['foot']]} and in the name of column "
            f"{table.headings[one.column]}; rename one"
        )
    ignored = tuple(table.headings[c] for c in table.headings if c in left_out or c in unknown)
    return ReadColumns(row_is, roles, tuple(numbers), ignored)


def _roles(table: UserTable, given: Mapping[str, str], left_out: set[str]) -> dict[str, str]:
    """Column by what it is: as given, by the project's own name, else by another known one."""
    roles: dict[str, str] = {}
    for role, name in given.items():
        column = " ".join(name.lower().split())
        if role not in ROLES:
            raise table.error(f"nothing is called {role} (--column); there are {', '.join(ROLES)}")
        if column not in table.headings:
            raise table.error(f"there is no column {name} (--column {role}={name})")
        roles[role] = column
    for role, names in ROLES.items():
        there = [c for c in table.headings if c in names and c not in left_out and c not in roles.values()]
        if role in roles or not there:
            continue
        if names[0] in there:
            roles[role] = names[0]
        elif len(there) > 1:
            raise table.error(
                f"columns {' and '.join(table.headings[c] for c in there)} could both be the {role}; say which: "
                f"--column {role}={table.headings[there[0]]}"
            )
        else:
            roles[role] = there[0]
    return roles


def _of_measures(table: UserTable, left: Iterable[str], roles: Mapping[str, str]) -> Iterable[NumberColumn]:
    """Columns named after a measure, alone or with reader, session and side."""
    seen: dict[tuple[str, str, str, str], str] = {}
    for column in left:
        name, label = measure_and_label(column)
        if name is None or (label and not _told_by_label(table, column, label, roles)):
            continue
        side, rest = _side(label) if "foot" not in roles else ("", label)
        reader, session = _reader_and_session(rest) if rest else ("", "")
        one = NumberColumn(column, name, reader, session, side)
        other = seen.setdefault((name, reader, session, side), column)
        if other != column:
            raise table.error(
                f"columns {table.headings[other]} and {table.headings[column]} are both {name}; remove one, or leave "
                f'one out: --ignore "{table.headings[column]}"'
            )
        yield one


def _told_by_label(table: UserTable, column: str, label: str, roles: Mapping[str, str]) -> bool:
    if _SESSION.fullmatch(label) or _side(label)[0]:
        return True
    return "reader" not in roles and can_be_of_a_reader(table, column, label)


def _side(label: str) -> tuple[str, str]:
    """Side that a label names, and what else it says."""
    parts = [part for part in re.split(r"[\W_]+", label) if part]
    sides = [part for part in parts if side_of(part)]
    if len(sides) != 1:
        return "", label
    return side_of(sides[0]) or "", "_".join(part for part in parts if part != sides[0])


def _reader_and_session(label: str) -> tuple[str, str]:
    """Reader and session that a label names.

    Examples
    --------
    >>> _reader_and_session("ab_2"), _reader_and_session("reader 1"), _reader_and_session("session2")
    (('AB', '2'), ('READER 1', ''), ('', '2'))
    >>> _reader_and_session("reader_1_session_2")
    ('READER 1', '2')
    """
    if whole := _SESSION.fullmatch(label):
        return "", whole[1]
    session = ""
    said = re.fullmatch(rf"(.+?)[\W_]+{_SESSION.pattern}", label)
    counted = re.fullmatch(r"(.+?)[\W_]+(\d+)", label)
    if said:
        label, session = said[1], said[2]
    elif counted and counted[1] not in _READER_WORDS:
        label, session = counted[1], counted[2]
    return " ".join(re.split(r"[\W_]+", label)).strip().upper(), session


def _refuse_unknown(table: UserTable, columns: Iterable[str], roles: Mapping[str, str], *, sought: bool) -> None:
    """Refuse columns that could be a measure under a wrong name; a column of text is left out with a word."""
    closing = []
    absent = [role for role in ROLES if role not in roles]
    for column in columns:
        numbers = table.share_of_numbers(column)
        near = nearest_measure(column) if numbers > 0 and sought else None
        near = near or nearest_name(column, absent)
        if near is not None:
            closing.append(f"{table.headings[column]} (did you mean {near}?)")
        elif numbers >= MOSTLY_NUMBERS:
            closing.append(f"{table.headings[column]} (holds numbers and could be a measure)")
    if closing:
        names = ",".join(said.rpartition(" (")[0] for said in closing)
        raise table.error(
            f"columns that nobody knows: {', '.join(closing)}. Name measures as `raysplay measures` lists them "
            f'(hva, ima, hva_AB, ...), say what a column is (--column film=NAME), or leave it out: --ignore "{names}"'
        )


def known_measure(text: str) -> str:
    """A measure by its name.

    Raises
    ------
    UserTableError
        If there is none.
    """
    name = text.strip().lower()
    if name not in {one.name for one in MEASURES}:
        near = nearest_measure(name)
        raise UserTableError(f"no measure is called {text}" + (f": did you mean {near}?" if near else ""))
    return name

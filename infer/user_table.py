"""A table that a user hands in: CSV as spreadsheets and people write it, read into named cells.

Commas, semicolons or tabs between cells, decimal points or commas, capitals in column names, a byte-order mark and the
encodings of common spreadsheets make no difference. Whatever could be read in two ways is refused with file, line and
column.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import io
import math
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from raysplay.configs.errors import RaysplayError
from raysplay.measure.sides import side_of

MISSING = ("-", "–", "—", ".", "n/a", "na", "nan")
"""What a cell of numbers may hold, besides nothing, where there is no number; capitals make no difference."""

_SEPARATORS = {";": "semicolon", "\t": "tab", ",": "comma"}
_UNIT_WORDS = {"deg": ("°", "º", "deg", "degree", "degrees"), "mm": ("mm",)}
WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""First bytes of the workbooks of spreadsheets: zipped ones, and those in the older container."""

_CONTROLS = re.compile(r"[\x00-\x08\x0b\x0e-\x1f]")
"""Control characters that no table of text holds."""

_DOUBTFUL_COMMA = re.compile(r"[+-]?\d{1,3},\d{3}")

_CLOSE = 0.75
"""Likeness (difflib) from which a name counts as another one misspelt: veiw for view has 0.75, side for size too."""


class UserTableError(RaysplayError, ValueError):
    """A table that cannot be used; the message names file, line and column and says what is expected."""


@dataclass(frozen=True)
class Row:
    """One line of a table: its number in the file, counted from 1, and its cells by column."""

    line: int
    cells: Mapping[str, str]

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")


@dataclass(frozen=True)
class UserTable:
    """A table with its columns by lower-case name.

    Attributes
    ----------
    path : Path
    separator, encoding : str
        In words: ``comma``, ``semicolon`` or ``tab``; ``UTF-8``, ``UTF-16`` or ``Windows-1252``.
    headings : mapping of str to str
        Every column with its name as written, in the order of the file. A column without a name that holds something
        is called by its place: ``column 4``.
    rows : tuple of Row
        Lines that are empty or hold separators alone are left out.
    """

    path: Path
    separator: str
    encoding: str
    headings: Mapping[str, str]
    rows: tuple[Row, ...]
    _seen: dict[str, dict[str, tuple[Row, str]]] = field(
        default_factory=lambda: defaultdict(dict), repr=False, compare=False
    )

    def error(self, said: str, row: Row | None = None, column: str | None = None) -> UserTableError:
        """An error at a row and column of this table."""
        where = [] if row is None else [f"line {row.line}"]
        if column is not None:
            where.append(f"column {self.headings.get(column, column)}")
        return UserTableError(": ".join([str(self.path), *([", ".join(where)] if where else []), said]))

    def without(self, written: Collection[str]) -> UserTable:
        """The table less some columns, given as written."""
        kept = {key: name for key, name in self.headings.items() if name not in written}
        rows = tuple(Row(row.line, {key: row[key] for key in kept}) for row in self.rows)
        return replace(self, headings=kept, rows=rows)

    def number(self, row: Row, column: str, unit: str = "") -> float | None:
        """The number in a cell, ``None`` where the cell is empty or holds one of :data:`MISSING`.

        ``31.5``, ``31,5``, ``31.5°`` and ``−31.5`` are numbers; the unit of the column may follow.

        Raises
        ------
        UserTableError
            If the cell holds anything else, or could be read in two ways: ``1,234`` between commas, or in a column
            that has decimal points elsewhere.
        """
        text = row[column]
        if is_missing(text):
            return None
        plain = _unitless(text.replace("−", "-"), unit)
        if not plain:
            return None
        value = as_number(plain)
        if value is None:
            raise self.error(
                f"{text!r} is not a number; expected is a number such as 31.5 or 31,5, or for none an empty cell or "
                f"one of {' '.join(MISSING)}",
                row,
                column,
            )
        self._refuse_doubtful_comma(row, column, plain)
        return value

    def doubtful_commas(self, column: str) -> frozenset[int]:
        """Lines whose comma in a column may stand before decimals or between thousands, as `number` refuses it."""
        commas = [row.line for row in self.rows if _DOUBTFUL_COMMA.fullmatch(row[column])]
        if not commas:
            return frozenset()
        points = any("." in row[column] and as_number(row[column]) is not None for row in self.rows)
        return frozenset(commas) if points or self.separator == "comma" else frozenset()

    def _refuse_doubtful_comma(self, row: Row, column: str, text: str) -> None:
        """Three digits behind a comma are decimals or thousands; a decimal point in the column leaves that open."""
        seen = self._seen[column]
        if _DOUBTFUL_COMMA.fullmatch(text):
            seen.setdefault("comma", (row, text))
        elif "." in text:
            seen.setdefault("point", (row, text))
        if "comma" in seen and ("point" in seen or self.separator == "comma"):
            first, doubtful = seen["comma"]
            raise self.error(
                f"{doubtful!r}: the comma may stand before decimals or between thousands; write the number without it "
                "or with a decimal point",
                first,
                column,
            )

    def whole_number(self, row: Row, column: str) -> int:
        """A count in a cell.

        Raises
        ------
        UserTableError
            If the cell holds anything else.
        """
        if not row[column].isdecimal():
            raise self.error(f"{row[column]!r} is not a count from 0", row, column)
        return int(row[column])

    def one_of(self, row: Row, column: str, allowed: Sequence[str]) -> str:
        """The cell in lower case, which must be one of ``allowed``.

        Raises
        ------
        UserTableError
            If it is not.
        """
        text = row[column].lower()
        if text not in allowed:
            said = ", ".join(one or "empty" for one in allowed)
            raise self.error(f"{row[column]!r} is not one of: {said}", row, column)
        return text

    def side(self, row: Row, column: str, *, needed: bool) -> str:
        """``L`` or ``R``; also empty unless ``needed``.

        Raises
        ------
        UserTableError
            If the cell holds anything else; ``left`` and ``right`` are taken.
        """
        side = side_of(row[column])
        if side is None and (needed or row[column]):
            said = "L or R" if needed else "L, R, or empty for a film without a foot"
            raise self.error(f"{row[column]!r} is no side of a foot; expected is {said}", row, column)
        return side or ""

    def share_of_numbers(self, column: str) -> float:
        """Share of the cells that say anything which could be numbers; 0 where none says anything."""
        told = [text for row in self.rows if not is_missing(text := row[column])]
        numbers = sum(as_number(_unitless(text.replace("−", "-"), "deg")) is not None for text in told)
        return numbers / len(told) if told else 0.0

    def refuse_misspelt(self, known: Iterable[str]) -> None:
        """Refuse columns that are close to a known one which the table lacks.

        Raises
        ------
        UserTableError
            Naming all of them.
        """
        names = list(known)
        absent = [name for name in names if name not in self.headings]
        close = {self.headings[c]: nearest_name(c, absent) for c in self.headings if c not in names}
        said = [f"no column is called {name}: did you mean {near}?" for name, near in close.items() if near]
        if said:
            raise self.error(f"{'; '.join(said)} Rename it, or take it out; known are {', '.join(names)}")


def read_user_table(path: Path, needed: Sequence[str], *, rows_needed: bool = True) -> UserTable:
    """Read a CSV file.

    Parameters
    ----------
    path : Path
    needed : sequence of str
        Columns that must be there, in lower case; they also tell what separates the cells.
    rows_needed : bool
        Whether a table without a row is refused.

    Raises
    ------
    UserTableError
        If the file cannot be read, is no table, lacks a column or holds no row.
    """
    text, encoding = _text(path)
    lines, skipped = list(io.StringIO(text, newline="")), 0
    declared = re.fullmatch(r"sep=(.)\s*", lines[0], re.IGNORECASE) if lines else None
    if declared:  # the line by which some spreadsheets tell the separator
        lines, skipped = lines[1:], 1
    separators = [declared[1]] if declared else list(_SEPARATORS)
    separator = max(separators, key=lambda one: _fit(lines, one, needed))
    records = _records(path, lines, separator, skipped)
    return table_of_records(path, records, needed, _SEPARATORS.get(separator, separator), encoding, rows_needed)


def table_of_records(
    path: Path,
    records: Sequence[tuple[int, list[str]]],
    needed: Sequence[str],
    separator: str,
    encoding: str,
    rows_needed: bool = True,
) -> UserTable:
    """A table of its lines, the first of which holds the names of columns.

    Parameters
    ----------
    path : Path
    records : sequence of (int, list of str)
        Number of the line in the file, and its cells; lines that hold nothing are left out.
    needed : sequence of str
    separator, encoding : str
        In words, as :class:`UserTable` has them.
    rows_needed : bool

    Raises
    ------
    UserTableError
        See :func:`read_user_table`.
    """
    if not records:
        raise UserTableError(f"{path}: holds no row")
    (_, names), *body = records
    headings = _headings(path, names, [cells for _, cells in body])
    missing = [name for name in needed if name not in headings.values()]
    table = UserTable(path, separator, encoding, {key: names[i].strip() or key for i, key in headings.items()}, ())
    if missing:
        raise table.error(
            f"no column {', '.join(missing)}; needed are {', '.join(needed)}, and the table holds "
            f"{', '.join(table.headings.values())}"
        )
    if not body and rows_needed:
        raise table.error("holds no row")
    rows = []
    for line, cells in body:
        beyond = [text for text in cells[len(names) :] if text.strip()]
        row = Row(line, {key: cells[i].strip() if i < len(cells) else "" for i, key in headings.items()})
        if beyond:
            raise table.error(
                f"holds {len(cells)} cells, but the table has {len(names)} columns; where decimals have a comma, cells "
                "must be separated by semicolons or tabs",
                row,
            )
        rows.append(row)
    return UserTable(path, separator, encoding, table.headings, tuple(rows))


def is_missing(text: str) -> bool:
    """Whether a cell says that there is nothing."""
    return not text or text.lower() in MISSING


def as_number(text: str) -> float | None:
    """The finite number that a text is, with a decimal point or a decimal comma; ``None`` for any other text.

    Examples
    --------
    >>> as_number("31,5"), as_number("1.234,5"), as_number("inf")
    (31.5, None, None)
    """
    if not re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", text):
        return None
    value = float(text.replace(",", "."))
    return value if math.isfinite(value) else None


def nearest_name(name: str, known: Iterable[str]) -> str | None:
    """The known name that a name is a misspelling of, ``None`` where none is close.

    Examples
    --------
    >>> nearest_name("constuction", ["construction", "reader"]), nearest_name("ward", ["view"])
    ('construction', None)
    """
    return next(iter(difflib.get_close_matches(name, known, n=1, cutoff=_CLOSE)), None)


def is_unit(word: str, unit: str) -> bool:
    """Whether a word names a unit: ``°`` or ``degrees`` for ``deg``."""
    return word.strip().lower() in _UNIT_WORDS.get(unit, ())


def _unitless(text: str, unit: str) -> str:
    """A number without the unit behind it."""
    for word in _UNIT_WORDS.get(unit, ()):
        if text.lower().endswith(word):
            return text[: -len(word)].strip()
    return text


def _text(path: Path) -> tuple[str, str]:
    """The text of a file and its encoding in words."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise UserTableError(f"{path}: cannot be read ({error.strerror})") from error
    if content.startswith(WORKBOOKS):
        raise UserTableError(f"{path}: is a workbook of a spreadsheet, not a CSV file; save it as CSV (UTF-8)")
    encodings = {"UTF-8": "utf-8-sig", "Windows-1252": "cp1252"}
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encodings = {"UTF-16": "utf-16"}
    for words, encoding in encodings.items():
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if not _CONTROLS.search(text):
            return text, words
    raise UserTableError(f"{path}: is not a text table; save it as CSV (UTF-8)")


def _fit(lines: list[str], separator: str, needed: Sequence[str]) -> tuple[int, int]:
    """How well a separator cuts the first line: needed columns, and columns at all."""
    try:
        names = next((cells for cells in csv.reader(lines, delimiter=separator) if any(cells)), [])
    except csv.Error:
        return 0, 0
    return len({name.strip().lower() for name in names} & set(needed)), len(names)


def _records(path: Path, lines: list[str], separator: str, skipped: int) -> list[tuple[int, list[str]]]:
    """Lines that hold anything, with their numbers."""
    reader = csv.reader(lines, delimiter=separator, strict=True)
    records = []
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                records.append((reader.line_num + skipped, cells))
    except csv.Error as error:
        line = reader.line_num + skipped
        raise UserTableError(f"{path}: line {line}: quotation marks do not pair ({error})") from error
    return records


def _headings(path: Path, names: list[str], body: list[list[str]]) -> dict[int, str]:
    """Key of every column by its place; columns without name and content are left out."""
    keys: dict[int, str] = {}
    for place, name in enumerate(names):
        key = " ".join(name.lower().split())
        if not key and any(place < len(cells) and cells[place].strip() for cells in body):
            key = f"column {place + 1}"
        if key in keys.values():
            first = next(i for i, other in keys.items() if other == key)
            raise UserTableError(
                f"{path}: columns {first + 1} and {place + 1} are both called {name.strip()} (capitals make no "
                "difference); remove or rename one"
            )
        if key:
            keys[place] = key
    return keys

"""Which columns of a table of truth are used, which are left out, and which must be named before either is done.

A measure's column under a wrong name, left out in silence, would look like a measure that was never read. So a column
that is close to a known name, or holds numbers that nobody knows, stops the reading until it is renamed or named among
those to be left out. Columns of text (ward, remarks) cannot be measures and are left out with a word.
"""

from __future__ import annotations

import difflib
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from raysplay.infer.compare.truth_choice import Choice
from raysplay.infer.user_table import UserTable, is_unit, nearest_name
from raysplay.measure import MEASURES, by_name

POSITION = ("x", "y", "width", "height")
"""The box of a foot: all of them or none."""

ABOUT = (
    *("film", "foot", "view", *POSITION, "seed", "foot_index", "beam_tilt", "ray_angle", "condition"),
    *("construction", "study", "reader", "repeat"),
)
"""Columns of a table with one row a foot, besides those of measures."""

ABOUT_READS = (
    *("film", "foot", "foot_index", "measure", "value", "unit", "construction", "state", "view"),
    *("study", "reader", "repeat", "when"),
)
"""Columns of a table with one row a number, as ``reads.csv`` of ``raysplay export`` has them."""

_NOT_READERS = ("low", "high", "construction", "source", "when")
"""What stands behind a measure's name in the project's own tables."""

_LIKE_A_MEASURE = 0.65
"""Likeness (difflib) from which a name counts as a measure misspelt; hav for hva has 0.67."""

MOSTLY_NUMBERS = 0.5
"""Share of cells with numbers from which a column is no text."""


@dataclass(frozen=True)
class TruthColumns:
    """Columns of a table of truth.

    Attributes
    ----------
    reads : bool
        Whether a row is a number, not a foot.
    measures : mapping of str to str
        By name of a measure, the column that holds it; empty where ``reads``.
    reader : str
        Whose columns they are, where several readers stand side by side; else empty.
    used, ignored : tuple of str
        Columns as written.
    """

    reads: bool
    measures: Mapping[str, str]
    reader: str
    used: tuple[str, ...]
    ignored: tuple[str, ...]


def truth_columns(table: UserTable, choice: Choice) -> TruthColumns:
    """Tell what the columns of a table are.

    Raises
    ------
    UserTableError
        If a column could be a measure under a wrong name, one belongs to one of several readers, one to be left out is
        not there, or the table is the project's own and holds what the model read.
    """
    refuse_own_numbers(table)
    ignored = _to_ignore(table, choice)
    reads = {"measure", "value"} <= table.headings.keys()
    known = ABOUT_READS if reads else ABOUT
    about = [c for c in table.headings if c in known and c not in ignored]
    left = [c for c in table.headings if c not in about and c not in ignored]
    measures, reader, others = ({}, "", set()) if reads else _measures(table, left, choice)
    ignored |= others
    unnamed = [c for c in left if c not in measures.values() and c not in ignored]
    _refuse_unknown(table, unnamed, known)
    ignored.update(unnamed)
    _refuse_part_of_a_box(table, about)
    used = [c for c in table.headings if c in about or c in measures.values()]
    return TruthColumns(
        reads,
        measures,
        reader.upper(),
        tuple(table.headings[c] for c in used),
        tuple(table.headings[c] for c in table.headings if c in ignored),
    )


def _measures(table: UserTable, columns: Sequence[str], choice: Choice) -> tuple[dict[str, str], str, set[str]]:
    """Columns of measures by name, whose they are, and those of other readers, which are left out."""
    measures: dict[str, str] = {}
    of_readers: dict[str, dict[str, str]] = defaultdict(dict)
    for column in columns:
        name, label = measure_and_label(column)
        if name is None or (label and not can_be_of_a_reader(table, column, label)):
            continue
        if label:
            of_readers[label][name] = column
        elif name in measures:
            raise table.error(
                f"columns {table.headings[measures[name]]} and {table.headings[column]} are both {name}; remove one or "
                f"leave one out by --ignore"
            )
        else:
            measures[name] = column
    if not of_readers or not (chosen := _reader(table, of_readers, choice)):
        return measures, "", set()
    others = {c for label, found in of_readers.items() if label != chosen for c in found.values()}
    return of_readers[chosen], chosen, others | set(measures.values())


def _refuse_unknown(table: UserTable, columns: Sequence[str], known: Sequence[str]) -> None:
    """Refuse columns that could be a measure, or one of ``known``, under a wrong name; text may pass."""
    doubtful = {}
    for column in columns:
        numbers = table.share_of_numbers(column)
        near = nearest_measure(column) if numbers > 0 else None
        near = near or nearest_name(column, [c for c in known if c not in table.headings])
        if near is not None:
            doubtful[table.headings[column]] = f"did you mean {near}?"
        elif numbers >= MOSTLY_NUMBERS:
            doubtful[table.headings[column]] = "holds numbers and could be a measure"
    if doubtful:
        said = ", ".join(f"{name} ({why})" for name, why in doubtful.items())
        raise table.error(
            f"columns that nobody knows: {said}. Name measures as `raysplay measures` lists them (hva, ima, ...), or "
            f'leave the columns out: --ignore "{",".join(doubtful)}"'
        )


def nearest_measure(name: str) -> str | None:
    """The measure that a name in lower case is most likely meant to be, ``None`` where none is close.

    Examples
    --------
    >>> nearest_measure("hav"), nearest_measure("hallux valgus angle left"), nearest_measure("ima 4-5")
    ('hva', 'hva', 'ima45')
    >>> nearest_measure("ward") is None
    True
    """
    words, phrases = _words(name), _phrases(" ")
    for phrase in sorted(phrases, key=len, reverse=True):
        part = phrase.split()
        if any(words[i : i + len(part)] == part for i in range(len(words) - len(part) + 1)):
            return phrases[phrase]
    for text in (name, *(word for word in words if len(word) > 2)):
        if close := difflib.get_close_matches(text, phrases, n=1, cutoff=_LIKE_A_MEASURE):
            return phrases[close[0]]
    return None


def _phrases(between: str) -> dict[str, str]:
    """Name of every measure by its name, title and abbreviation, whose words are joined by ``between``."""
    return {
        between.join(_words(text.lower())): one.name
        for one in reversed(MEASURES)
        for text in (one.abbreviation, one.title, one.name)
    }


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text)


def measure_and_label(column: str) -> tuple[str | None, str]:
    """The measure that a column in lower case is named after and what else its name says; a unit says nothing else.

    Examples
    --------
    >>> measure_and_label("hva_ab"), measure_and_label("ima (deg)"), measure_and_label("ward")
    (('hva', 'ab'), ('ima', ''), (None, ''))
    """
    if (same := _phrases("").get("".join(_words(column)))) is not None:
        return same, ""
    for name in sorted((one.name for one in MEASURES), key=len, reverse=True):
        behind = re.fullmatch(rf"{re.escape(name)}(?:[\W_]+(.*?)[\W_]*)?", column)
        before = re.fullmatch(rf"[\W_]*(.+?)[\W_]+{re.escape(name)}", column)
        if found := behind or before:
            label = found[1] or ""
            return name, "" if is_unit(label, by_name(name).unit) else label
    return None, ""


def can_be_of_a_reader(table: UserTable, column: str, label: str) -> bool:
    """Whether what a column is called besides its measure can name a reader."""
    return (
        label not in _NOT_READERS
        and "reader" not in table.headings
        and table.share_of_numbers(column) >= MOSTLY_NUMBERS
    )


def _reader(table: UserTable, of_readers: Mapping[str, Mapping[str, str]], choice: Choice) -> str:
    """The reader whose columns are taken; empty where a lone column is more likely misnamed."""
    if choice.reader is not None:
        label = choice.reader.lower()
        if label in of_readers:
            return label
    elif len(of_readers) == 1 and all(len(columns) == 1 for columns in of_readers.values()):
        return ""
    said = "; ".join(
        f"{label.upper()} ({', '.join(table.headings[c] for c in columns.values())})"
        for label, columns in of_readers.items()
    )
    if choice.reader is not None:
        raise table.error(f"no reader is called {choice.reader} (--reader); by the names of columns there are {said}")
    raise table.error(
        f"columns of several readers, by their names: {said}. Choose one by --reader {next(iter(of_readers)).upper()}, "
        "or rename the columns of one to hva, ima, ..."
    )


def _to_ignore(table: UserTable, choice: Choice) -> set[str]:
    text, ignored = " ".join(choice.ignore.lower().split()), set[str]()
    for column in sorted((c for c in table.headings if "," in c), key=len, reverse=True):
        if column in text:
            text = text.replace(column, "")
            ignored.add(column)
    ignored |= {name.strip() for name in text.split(",") if name.strip()}
    for name in sorted(ignored - table.headings.keys()):
        raise table.error(f"there is no column {name} to leave out (--ignore)")
    for name in ("film", "foot", "measure", "value"):
        if name in ignored and name in table.headings:
            raise table.error(f"column {name} is needed and cannot be left out (--ignore)")
    return ignored


def refuse_own_numbers(table: UserTable) -> None:
    """Refuse what a run or an open review wrote: the model would be compared with itself.

    Raises
    ------
    UserTableError
        If the table has a column ``decision``, and reasons or ends of intervals as well.
    """
    ends = {"low", "high"} <= table.headings.keys() or {"hva_low", "ima_low"} & table.headings.keys()
    if "decision" in table.headings and ("reasons" in table.headings or ends):
        raise table.error(
            "is a table of `raysplay measure` or of an open review: its numbers are the model's own, or were read with "
            "these in view, and tell nothing of its errors. Expected are reads made without them, such as reads.csv of "
            "a blind study"
        )


def _refuse_part_of_a_box(table: UserTable, about: list[str]) -> None:
    there = [c for c in POSITION if c in about]
    if ("x" in there) != ("y" in there) or ("width" in there) != ("height" in there) or there == ["width", "height"]:
        raise table.error(
            f"columns {', '.join(there)} alone place no foot: its box needs {', '.join(POSITION)}, in pixels; "
            f'if they mean something else, leave them out: --ignore "{",".join(there)}"'
        )

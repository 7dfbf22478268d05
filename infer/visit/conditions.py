"""What a person states of each film beside its file: a small CSV.

A file says at most whose film it is, when it was taken and how the foot was loaded. Whether a splint was worn, or an
operation lies between two films, no file says; without it a difference between films is easily taken for progress.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from pathlib import Path
from re import fullmatch

from raysplay.infer.film_names import FilmNames
from raysplay.infer.films.loading import Loading
from raysplay.infer.outputs.names import cell_text
from raysplay.infer.user_table import Row, UserTable, UserTableError, read_user_table
from raysplay.measure.change import NOTHING_WORN

COLUMNS = (
    "film", "person", "date", "worn", "loading", "tilt", "stance", "beam", "distance", "marker", "surgery", "note",
)  # fmt: skip
"""All but ``film`` may be missing or empty."""


class Worn(Enum):
    """What a foot wears on a film."""

    NOTHING = NOTHING_WORN
    SPLINT = "splint"
    SPACER = "spacer"
    ORTHOSIS = "orthosis"
    TAPE = "tape"


class Surgery(Enum):
    """On which side of an operation on the foot a film lies."""

    BEFORE = "before"
    AFTER = "after"


class Stance(Enum):
    """How the feet stand; ``gait`` is the person's own angle and base of gait."""

    GAIT = "gait"
    PARALLEL = "parallel"
    OTHER = "other"


class Beam(Enum):
    """What the beam is centred on."""

    ONE_FOOT = "one foot"
    BETWEEN_FEET = "between feet"


class Marker(Enum):
    """How the side is marked on the film."""

    EXPOSED = "exposed"
    ADDED = "added"
    NONE = "none"


LOADINGS = tuple(one.value for one in Loading if one is not Loading.CONTRADICTORY)
"""What may be said of the loading: one statement alone contradicts nothing."""

_STEEPEST_TILT = 60.0
"""Degrees; beyond it a number is no tube tilt of a foot film."""
_DISTANCES = 30.0, 400.0
"""Centimetres from the tube's focus to the detector; beyond them a number is no distance of a foot film."""
_FIRST_FILM = date(1895, 11, 8)
"""Röntgen's first observation: no film is older."""
_PERSON = r"[A-Za-z0-9](?:[A-Za-z0-9 ._-]{0,38}[A-Za-z0-9])?"


@dataclass(frozen=True)
class Stated:
    """What one row says of a film; empty or None where it says nothing.

    Attributes
    ----------
    film : str
        As the run names it.
    line : int
        Of the table.
    person : str
        What the report shall call the person: a code, never a name.
    taken : str
        ISO 8601.
    worn, loading, surgery : str
        Values of :class:`Worn`, :class:`~raysplay.infer.films.loading.Loading` and :class:`Surgery`.
    tilt : float or None
        Tube tilt in degrees toward the heel.
    note : str
    stance, beam, marker : str
        Values of :class:`Stance`, :class:`Beam` and :class:`Marker`.
    distance : float or None
        From the tube's focus to the detector, centimetres.
    person_by : str
        Who said on the page whose film it is; empty for a table.
    """

    film: str
    line: int = 0
    person: str = ""
    taken: str = ""
    worn: str = ""
    loading: str = ""
    tilt: float | None = None
    surgery: str = ""
    note: str = ""
    stance: str = ""
    beam: str = ""
    distance: float | None = None
    marker: str = ""
    person_by: str = ""

    @property
    def where(self) -> str:
        """Where it was stated, as an error names it."""
        return f"line {self.line}" if self.line else self.film


@dataclass(frozen=True)
class Conditions:
    """Rows of a table by film; ``table`` makes errors that name a row. Without a table nothing is stated."""

    stated: dict[str, Stated] = field(default_factory=dict)
    table: UserTable | None = None

    def of(self, film: str) -> Stated:
        """What is stated of a film."""
        return self.stated.get(film) or Stated(film)

    def refused(self, stated: Stated, said: str) -> UserTableError:
        """An error about the person that a statement names; of a table, with file, line and column."""
        if self.table is None:
            return UserTableError(f"{stated.film}: {said}")
        row = next(row for row in self.table.rows if row.line == stated.line)
        return self.table.error(said, row, "person")


def read_conditions(
    path: Path, films: Iterable[str], *, today: date | None = None, real: Mapping[str, str] | None = None
) -> Conditions:
    """Read the table of conditions.

    Parameters
    ----------
    path : Path
    films : iterable of str
        Films of the run, as it names them; folders in front and the ending may be left out in the table.
    today : date, optional
        No film was taken later.
    real : mapping of str to str, optional
        As :class:`~raysplay.infer.film_names.FilmNames` takes it.

    Raises
    ------
    UserTableError
        Naming file, line and column, if a row names no film of the run or one that another row names, or holds a word
        that is not known.
    """
    table = conditions_table(path)
    names = FilmNames(films, real)
    found: dict[str, Stated] = {}
    for row in table.rows:
        one = _stated(table, row, names, today or date.today())
        if one.film in found:
            raise table.error(f"{one.film} has a row already: line {found[one.film].line}", row, "film")
        found[one.film] = one
    return Conditions(found, table)


def conditions_table(path: Path) -> UserTable:
    """The table with its columns looked at, and no row yet.

    Raises
    ------
    UserTableError
        As :func:`read_conditions`.
    """
    table = read_user_table(path, ("film",))
    table.refuse_misspelt(COLUMNS)
    unknown = [name for key, name in table.headings.items() if key not in COLUMNS]
    if unknown:
        raise table.error(f"unknown columns {', '.join(unknown)}; known are {', '.join(COLUMNS)}")
    return table


def _stated(table: UserTable, row: Row, names: FilmNames, today: date) -> Stated:
    tilt, distance = table.number(row, "tilt", "deg"), table.number(row, "distance")
    for column, why in (("tilt", no_tilt(tilt)), ("distance", no_distance(distance))):
        if why:
            raise table.error(f"{row[column]} {why}", row, column)
    return Stated(
        _film(table, row, names),
        row.line,
        _person(table, row),
        _date(table, row, today),
        table.one_of(row, "worn", ("", *(one.value for one in Worn))),
        table.one_of(row, "loading", ("", *LOADINGS)),
        tilt,
        table.one_of(row, "surgery", ("", *(one.value for one in Surgery))),
        cell_text(row["note"]),
        table.one_of(row, "stance", ("", *(one.value for one in Stance))),
        table.one_of(row, "beam", ("", *(one.value for one in Beam))),
        distance,
        table.one_of(row, "marker", ("", *(one.value for one in Marker))),
    )


def no_tilt(tilt: float | None) -> str:
    """Why a number is no tube tilt; empty where it may be one."""
    if tilt is None or abs(tilt) <= _STEEPEST_TILT:
        return ""
    return f"is no tube tilt; expected are degrees toward the heel, at most {_STEEPEST_TILT:g}"


def no_distance(distance: float | None) -> str:
    """Why a number is no distance of a tube; empty where it may be one."""
    least, most = _DISTANCES
    if distance is None or least <= distance <= most:
        return ""
    return f"is no distance from tube to detector; expected are centimetres, {least:g} to {most:g}"


def no_person_code(text: str) -> str:
    """Why a text is no code of a person; empty where it is one, or empty."""
    if not text or fullmatch(_PERSON, text):
        return ""
    said = "is called by a code of letters A to Z, digits, blanks, points and dashes, 40 at most, such as P-07"
    return f"a person {said}; not {text!r}"


def no_day(text: str, today: date) -> str:
    """Why a text is no day of a film; empty where it is one, or empty."""
    if not text:
        return ""
    day = None
    if fullmatch(r"\d{4}-\d{2}-\d{2}", text):
        with suppress(ValueError):  # such as 2026-02-30
            day = date.fromisoformat(text)
    if day is None:
        return f"{text!r} is no date; expected is year-month-day, such as 2026-03-01"
    return "" if _FIRST_FILM <= day <= today else f"{text}: no film was taken on that day"


def _film(table: UserTable, row: Row, names: FilmNames) -> str:
    meant = names.meant(row["film"])
    if len(meant) == 1:
        return meant[0]
    if not row["film"]:
        raise table.error("names no film", row, "film")
    if meant:
        raise table.error(f"{row['film']!r} may be any of {', '.join(meant)}; write the folder, too", row, "film")
    raise table.error(f"the run has no film {row['film']!r}; it has {names.examples()}", row, "film")


def _person(table: UserTable, row: Row) -> str:
    if why := no_person_code(row["person"]):
        raise table.error(why, row, "person")
    return row["person"]


def _date(table: UserTable, row: Row, today: date) -> str:
    if why := no_day(row["date"], today):
        raise table.error(why, row, "date")
    return row["date"]

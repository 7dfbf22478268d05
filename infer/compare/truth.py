"""Truth of an archive, from generated films or from a person's readings: what a table of it says of every foot."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from raysplay.configs.load import landmark_schema
from raysplay.configs.views import VIEWS
from raysplay.infer.compare.true_foot import TrueFoot
from raysplay.infer.compare.truth_choice import Choice, chosen_rows
from raysplay.infer.compare.truth_columns import TruthColumns, truth_columns
from raysplay.infer.compare.truth_feet import feet_of_rows
from raysplay.infer.compare.truth_reads import feet_of_reads
from raysplay.infer.film_names import FilmNames
from raysplay.infer.outputs.names import given_film
from raysplay.infer.user_table import UserTableError, read_user_table

__all__ = ["LANDMARKS_NAME", "VIEWS", "Choice", "TrueFoot", "Truth", "read_truth", "read_truth_table"]

LANDMARKS_NAME = "truth_landmarks.csv"

_NAMED_ROWS = 10
"""Rows that a message lists; the rest is counted."""

Key = tuple[str, int]
"""Film and place of a foot in a table of landmarks."""


@dataclass(frozen=True)
class Truth:
    """Feet of a table, and what of the table they are.

    Attributes
    ----------
    path : Path
    written : str
        Separator and encoding, in words.
    feet : tuple of TrueFoot
    columns : TruthColumns
    chosen : mapping of str to str
        Study, reader and repeat that the feet are of, where the table says.
    rows : int
        Rows of the table.
    left_out : mapping of str to int
        Rows that give no true value, by why.
    films : mapping of str to str
        Films by the names that the table has for them, where these are others.
    landmarks_left_out : int
        Feet of the table of landmarks that are none of these.
    """

    path: Path
    written: str
    feet: tuple[TrueFoot, ...]
    columns: TruthColumns
    chosen: Mapping[str, str]
    rows: int
    left_out: Mapping[str, int]
    films: Mapping[str, str] = field(default_factory=dict)
    landmarks_left_out: int = 0

    def without(self, feet: Sequence[TrueFoot], why: str) -> Truth:
        """The truth less some of its feet; their rows are counted."""
        if not feet:
            return self
        gone = {id(foot) for foot in feet}
        left_out = {**self.left_out, why: self.left_out.get(why, 0) + sum(len(foot.lines) for foot in feet)}
        return replace(self, feet=tuple(foot for foot in self.feet if id(foot) not in gone), left_out=left_out)


def read_truth(path: Path) -> list[TrueFoot]:
    """Feet of a table that needs no choice, such as ``truth.csv`` of ``raysplay synthesize``.

    Raises
    ------
    UserTableError
        See :func:`read_truth_table`.
    """
    return list(read_truth_table(path).feet)


def read_truth_table(path: Path, choice: Choice = Choice()) -> Truth:  # noqa: B008
    """Read a table of truth, and ``truth_landmarks.csv`` beside it if there is one.

    With one row a foot: columns ``film`` and ``foot`` (L, R, or empty for no foot) must be there. ``view`` (dp,
    oblique, lateral, other), ``x``, ``y``, ``width``, ``height`` (pixels), ``condition``, ``construction``, ``study``,
    ``reader``, ``repeat`` and one column a measure (``hva``, ``ima``, ... in its unit) may be.

    With one row a number, as in ``reads.csv`` of ``raysplay export``: ``film``, ``foot``, ``measure`` and ``value``
    must be there.

    Columns of ``truth_landmarks.csv``: ``film, foot, foot_index, landmark, x, y``; ``foot_index`` is that of the
    table's row, or counts the rows of a film from 0.

    Raises
    ------
    UserTableError
        If a file cannot be read, a column is missing, unknown or one of several readers, a foot stands twice, or a cell
        is not what it should be.
    """
    table = read_user_table(path, ("film", "foot"))
    columns = truth_columns(table, choice)
    table = table.without(columns.ignored)
    by_column = replace(choice, reader=None) if columns.reader else choice
    rows, chosen, left_out = chosen_rows(table, by_column)
    if columns.reader:
        chosen["reader"] = columns.reader
    if columns.reads:
        feet, without = feet_of_reads(table, rows)
        left_out += without
    else:
        feet = feet_of_rows(table, rows, columns.measures)
    refuse_feet_given_twice(path, feet)
    beside, unknown = path.with_name(LANDMARKS_NAME), 0
    if not columns.reads and beside.is_file():
        feet, unknown = _with_landmarks(feet, beside)
    written = f"{table.separator}s between cells, {table.encoding}"
    return Truth(path, written, tuple(feet), columns, chosen, len(table.rows), left_out, landmarks_left_out=unknown)


def on_films(truth: Truth, names: FilmNames, *, skip_missing: bool = False) -> Truth:
    """The truth with every film called as the run calls it.

    Parameters
    ----------
    truth : Truth
    names : FilmNames
        Films of the run, or of the folder that will be measured.
    skip_missing : bool
        Leave out rows whose film is not there.

    Raises
    ------
    UserTableError
        If a name could mean several films or, unless ``skip_missing``, none; or a foot stands twice under two names of
        its film.
    """
    meant = {film: names.meant(film) for film in dict.fromkeys(foot.film for foot in truth.feet)}
    doubtful = [foot for foot in truth.feet if len(meant[foot.film]) > 1]
    missing = [foot for foot in truth.feet if not meant[foot.film]]
    if doubtful:
        listed = _listed(doubtful, lambda foot: f"{foot.film}: {' or '.join(meant[foot.film][:3])}")
        raise UserTableError(
            f"{truth.path}: {len(doubtful)} rows name a film that could be one of several; write the path below the "
            f"folder of films: {listed}"
        )
    if missing and (not skip_missing or len(missing) == len(truth.feet)):
        listed = _listed(missing, lambda foot: foot.film)
        skip = "" if len(missing) == len(truth.feet) else ", or leave these rows out by --skip-missing"
        raise UserTableError(
            f"{truth.path}: {len(missing)} of {len(truth.feet)} rows name a film that is not there: {listed}. Expected "
            f"is the path below the folder of films, which holds {names.examples()}{skip}"
        )
    there = truth.without(missing, "film not there (--skip-missing)")
    feet = [replace(foot, film=meant[foot.film][0]) for foot in there.feet]
    refuse_feet_given_twice(truth.path, feet)
    if names.hidden:
        return replace(there, feet=tuple(feet), films={})
    others = {given: films[0] for given, films in meant.items() if films and films[0] != given}
    return replace(there, feet=tuple(feet), films=others)


def refuse_feet_given_twice(path: Path, feet: Iterable[TrueFoot]) -> None:
    """Refuse a foot that stands in two rows, and a film that shows no foot in one row and one in another.

    Two feet of one side on one film are told apart by view or by their boxes.

    Raises
    ------
    UserTableError
        Naming both lines.
    """
    first: dict[tuple[object, ...], TrueFoot] = {}
    empty: dict[str, TrueFoot] = {}
    shown: dict[str, TrueFoot] = {}
    for foot in feet:
        key = foot.film, foot.side, foot.view, foot.centre
        other = first.setdefault(key, foot)
        if other is not foot:
            said = f"foot {foot.side}" if foot.side else "no foot"
            raise UserTableError(
                f"{path}: lines {_first_line(other)} and {_first_line(foot)} are both {foot.film}, {said}; a foot can "
                "stand once. For the reads of several readers add a column reader and choose one by --reader"
            )
        (shown if foot.side else empty).setdefault(foot.film, foot)
    for film in empty.keys() & shown.keys():
        raise UserTableError(
            f"{path}: line {_first_line(empty[film])} says that {film} shows no foot, line {_first_line(shown[film])} "
            "names one"
        )


def refuse_other_constructions(truth: Truth, constructions: Mapping[str, str]) -> None:
    """Refuse truth that was read by other constructions than the run: such numbers are not comparable.

    Parameters
    ----------
    truth : Truth
    constructions : mapping of str to str
        How the run builds every measure that it reports.

    Raises
    ------
    UserTableError
        Naming measures, constructions and lines.
    """
    unlike: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for foot in truth.feet:
        for measure, stated in foot.constructions.items():
            if stated != constructions.get(measure, stated):
                unlike[measure, stated, constructions[measure]].append(_first_line(foot))
    if unlike:
        said = "; ".join(
            f"{measure} was read by {stated} and is measured by {built} (line {lines[0]}"
            + (f" and {len(lines) - 1} more)" if len(lines) > 1 else ")")
            for (measure, stated, built), lines in unlike.items()
        )
        raise UserTableError(
            f"{truth.path}: {said}. Numbers by different constructions are never compared: measure by the same one "
            "(--protocol FILE, see `construction` in protocol.yaml), or take the reads out"
        )


def _listed(feet: Sequence[TrueFoot], say: Callable[[TrueFoot], str]) -> str:
    first = "; ".join(f"line {_first_line(foot)}: {say(foot)}" for foot in feet[:_NAMED_ROWS])
    more = len(feet) - _NAMED_ROWS
    return first + (f"; and {more} more" if more > 0 else "")


def _first_line(foot: TrueFoot) -> int:
    return foot.lines[0] if foot.lines else 0


def _with_landmarks(feet: list[TrueFoot], path: Path) -> tuple[list[TrueFoot], int]:
    """Feet with their landmarks, and how many feet of the table of landmarks are none of them."""
    points, sides = _landmarks(path)
    by_film: dict[str, list[Key]] = defaultdict(list)
    for key in points:
        by_film[key[0]].append(key)
    names, taken, seen, placed = FilmNames({film for film, _ in points}), set[Key](), Counter[str](), []
    for foot in feet:
        films = names.meant(foot.film)
        film = films[0] if len(films) == 1 else foot.film
        key = film, foot.foot_index if foot.foot_index is not None else seen[film]
        seen[film] += 1
        if foot.foot_index is None:
            same = [one for one in by_film[film] if foot.side and sides[one] == foot.side]
            key = same[0] if len(same) == 1 else key
        elif sides.get(key, "") not in ("", foot.side):
            raise UserTableError(
                f"{path}: foot {key[1]} of {film} is {sides[key]} here, and {foot.side or 'no foot'} in line "
                f"{_first_line(foot)} of the table beside it"
            )
        if key in points and sides[key] in ("", foot.side):
            taken.add(key)
            foot = replace(foot, landmarks=points[key])
        placed.append(foot)
    return placed, len(points.keys() - taken)


def _landmarks(path: Path) -> tuple[dict[Key, dict[str, tuple[float, float]]], dict[Key, str]]:
    """Landmarks by film and place, and the side of each such foot where it is told."""
    table = read_user_table(path, ("film", "foot_index", "landmark", "x", "y"), rows_needed=False)
    codes = frozenset(landmark_schema().codes)
    points: dict[Key, dict[str, tuple[float, float]]] = defaultdict(dict)
    sides: dict[Key, str] = {}
    for row in table.rows:
        x, y = (table.number(row, name) for name in ("x", "y"))
        key = given_film(row["film"]), table.whole_number(row, "foot_index")
        if row["landmark"] not in codes:
            raise table.error(f"no landmark is called {row['landmark']}", row, "landmark")
        sides[key] = table.side(row, "foot", needed=False)
        if x is not None and y is not None:
            points[key][row["landmark"]] = (x, y)
    return dict(points), sides

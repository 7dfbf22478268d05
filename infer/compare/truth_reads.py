"""Truth with one row a number, as the blind reads of a study come out of ``raysplay export``."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import replace

from raysplay.configs.views import VIEWS
from raysplay.infer.compare.true_foot import TrueFoot
from raysplay.infer.compare.truth_columns import nearest_measure
from raysplay.infer.compare.truth_values import stated_construction, true_value
from raysplay.infer.outputs.names import given_film
from raysplay.infer.review.worklist import CONFIRMED, CORRECTED, NOT_MEASURABLE, OPEN, STATES, WRONG_SIDE, WRONG_VIEW
from raysplay.infer.user_table import Row, UserTable, is_missing, is_unit
from raysplay.measure import MEASURES, by_name
from raysplay.measure.registry import under

WITH_NUMBERS = ("", CONFIRMED, CORRECTED, WRONG_SIDE)
"""States in which a reader answers for the numbers; the side of a foot is always the reader's."""

_NAMES = frozenset(one.name for one in MEASURES)

UNFIT: dict[str, str] = {NOT_MEASURABLE: "not measurable by its reader", WRONG_VIEW: "another view by its reader"}
"""What is known of feet that a reader gave no number for."""


def feet_of_reads(table: UserTable, rows: Iterable[Row]) -> tuple[list[TrueFoot], Counter[str]]:
    """Feet in the order in which they come first, and how many rows give no true value, by why.

    A foot that its reader could not measure is among them, without values. Two feet of one side on one film are not:
    a run numbers feet as it finds them, so that which is which is not known.

    Raises
    ------
    UserTableError
        If a cell is not what it should be, or a number is given twice.
    """
    feet: dict[tuple[str, str, str], TrueFoot] = {}
    given: dict[tuple[str, str, str, str], Row] = {}
    without: Counter[str] = Counter()
    for row in rows:
        if not row["film"]:
            raise table.error("is empty; every row needs its film", row, "film")
        film, side = given_film(row["film"]), table.side(row, "foot", needed=False)
        state = table.one_of(row, "state", (*STATES, "")) if row["state"] else ""
        key = film, side, row["foot_index"]
        measure = measure_of_row(table, row)
        if (first := given.setdefault((*key, measure), row)) is not row:
            named = f"{measure} of this foot" if measure else "this foot"
            raise table.error(f"{named} stands in line {first.line} already; a number can be given once", row)
        if state == OPEN:
            without["a read that is still open"] += 1
            continue
        view = "other" if state == WRONG_VIEW else table.one_of(row, "view", (*VIEWS, "")) or "dp"
        foot = feet.get(key, TrueFoot(film, side, view, condition=UNFIT.get(state, "")))
        value = true_value(table, row, "value", measure) if measure and state in WITH_NUMBERS else None
        if value is None:
            without[f"no number, {UNFIT[state]}" if state in UNFIT else "no number"] += 1
        feet[key] = _with(foot, measure, value, stated_construction(table, row), row)
    return _told_apart(feet.values(), without), +without


def measure_of_row(table: UserTable, row: Row) -> str:
    """The measure of a row, empty where it names none.

    Raises
    ------
    UserTableError
        If there is no such measure, its unit is another one, or a value has no measure.
    """
    text = "" if is_missing(row["measure"]) else row["measure"].lower()
    if text and text not in _NAMES:
        near = nearest_measure(text)
        meant = f": did you mean {near}?" if near else "; `raysplay measures` lists them"
        raise table.error(f"no measure is called {row['measure']}{meant}", row, "measure")
    if text and row["unit"] and row["unit"].lower() != (unit := by_name(text).unit) and not is_unit(row["unit"], unit):
        raise table.error(f"{row['unit']!r} is not the unit of {text}, {unit}", row, "unit")
    if not text and not is_missing(row["value"]):
        raise table.error("is empty, but there is a value", row, "measure")
    return text


def _with(foot: TrueFoot, measure: str, value: float | None, construction: str, row: Row) -> TrueFoot:
    lines = (*foot.lines, row.line)
    if value is None:
        return replace(foot, lines=lines)
    built = {measure: under(measure, construction).construction} if construction else {}
    return replace(
        foot,
        angles={**foot.angles, measure: value},
        constructions={**foot.constructions, **built},
        lines=lines,
    )


def _told_apart(feet: Iterable[TrueFoot], without: Counter[str]) -> list[TrueFoot]:
    """Feet that are the only one of their side on their film."""
    by_side: dict[tuple[str, str], list[TrueFoot]] = defaultdict(list)
    for foot in feet:
        by_side[foot.film, foot.side].append(foot)
    for same in by_side.values():
        if len(same) > 1:
            without["of one of two feet of the same side on a film"] += sum(len(foot.lines) for foot in same)
    return [same[0] for same in by_side.values() if len(same) == 1]

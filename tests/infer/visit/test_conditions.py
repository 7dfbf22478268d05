"""The table of conditions: what it may say, and that what it may not say is refused by row."""

from datetime import date

import pytest

from raysplay.infer.user_table import UserTableError
from raysplay.infer.visit.conditions import read_conditions

FILMS = ("spring/keeper-01.dcm", "spring/keeper-02.dcm", "autumn/keeper-01.dcm")


def read(tmp_path, text):
    path = tmp_path / "conditions.csv"
    path.write_text(text, encoding="utf-8")
    return read_conditions(path, FILMS, today=date(2026, 11, 28))


def test_a_row_says_what_it_says_and_nothing_else(tmp_path):
    found = read(
        tmp_path,
        "film;person;date;worn;loading;tilt;surgery;note\n"
        "keeper-02;P-07;2026-03-01;Splint;full;12,5;after;night splint\n"
        "autumn/keeper-01.dcm;;;;;;;\n",
    )
    one = found.of("spring/keeper-02.dcm")
    assert (one.person, one.taken, one.worn, one.loading, one.tilt, one.surgery) == (
        "P-07", "2026-03-01", "splint", "full", 12.5, "after",
    )  # fmt: skip
    empty = found.of("autumn/keeper-01.dcm")
    assert (empty.person, empty.taken, empty.worn, empty.loading, empty.tilt, empty.surgery) == (
        "",
        "",
        "",
        "",
        None,
        "",
    )
    assert found.of("spring/keeper-01.dcm").line == 0


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("keeper-02.dcm,,,brace,,,,", r"line 2, column worn.*nothing, splint, spacer, orthosis, tape"),
        ("keeper-02.dcm,,,,heavy,,,", r"line 2, column loading.*full, partial, simulated, none, unknown"),
        ("keeper-02.dcm,,,,contradictory,,,", r"line 2, column loading"),
        ("keeper-02.dcm,,,,,,during,", r"line 2, column surgery.*before, after"),
        ("keeper-02.dcm,,01.03.2026,,,,,", r"line 2, column date.*year-month-day"),
        ("keeper-02.dcm,,2026-02-30,,,,,", r"line 2, column date"),
        ("keeper-02.dcm,,2027-01-01,,,,,", r"line 2, column date.*no film was taken on that day"),
        ("keeper-02.dcm,,,,,steep,,", r"line 2, column tilt"),
        ("keeper-02.dcm,,,,,150,,", r"line 2, column tilt.*no tube tilt"),
        ("keeper-02.dcm,../P,,,,,,", r"line 2, column person"),
        ("keeper-01.dcm,,,,,,,", r"line 2, column film.*may be any of autumn/keeper-01.dcm, spring/keeper-01.dcm"),
        ("keeper-09.dcm,,,,,,,", r"line 2, column film.*the run has no film"),
        (",P-07,,,,,,", r"line 2, column film.*names no film"),
        ("keeper-02.dcm,,,,,,,\nspring/keeper-02.dcm,,,,,,,", r"line 3, column film.*has a row already: line 2"),
    ],
)
def test_what_cannot_be_meant_is_refused_by_row(tmp_path, row, said):
    with pytest.raises(UserTableError, match=said):
        read(tmp_path, f"film,person,date,worn,loading,tilt,surgery,note\n{row}\n")


@pytest.mark.parametrize("heading", ["film,splint", "film,wron", "films,worn"])
def test_a_column_that_nobody_reads_is_refused(tmp_path, heading):
    """What was written into it would be lost in silence."""
    with pytest.raises(UserTableError):
        read(tmp_path, f"{heading}\nkeeper-02.dcm,splint\n")


def test_how_a_film_was_taken(tmp_path):
    found = read(tmp_path, "film;stance;beam;distance;marker\nkeeper-02;gait;Between feet;100;exposed\n")
    one = found.of("spring/keeper-02.dcm")
    assert (one.stance, one.beam, one.distance, one.marker) == ("gait", "between feet", 100.0, "exposed")


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("keeper-02.dcm,toes out,,,", r"column stance.*gait, parallel, other"),
        ("keeper-02.dcm,,both,,", r"column beam.*one foot, between feet"),
        ("keeper-02.dcm,,,1,", r"column distance.*centimetres, 30 to 400"),
        ("keeper-02.dcm,,,,yes", r"column marker.*exposed, added, none"),
    ],
)
def test_what_is_no_technique_is_refused(tmp_path, row, said):
    with pytest.raises(UserTableError, match=said):
        read(tmp_path, f"film,stance,beam,distance,marker\n{row}\n")

"""Feet by person: two persons are never mixed, and what is in no report is named with the reason."""

import pytest

from raysplay.infer.user_table import UserTableError
from raysplay.infer.visit.conditions import Conditions, read_conditions
from raysplay.infer.visit.persons import persons_of

KEEPER, COOK = "1111222233334444", "5555666677778888"


@pytest.fixture
def told(tmp_path, make_run, open_desk):
    """``told(films, table)`` gives persons and what was left out."""

    def found(films, table=""):
        desk = open_desk(make_run(films))
        conditions = Conditions()
        if table:
            path = tmp_path / "conditions.csv"
            path.write_text(table, encoding="utf-8")
            conditions = read_conditions(path, films)
        return persons_of(desk, conditions)

    return found


def test_feet_go_by_person_side_and_day(told, film_of, foot_of):
    both = (foot_of(side="L"), foot_of(side="R"))
    persons, left = told(
        {
            "a.dcm": film_of(taken="2026-03-01", feet=both),
            "b.dcm": film_of(taken="2025-03-01", feet=both),
            "c.dcm": film_of(person=COOK),
        }
    )
    assert [one.called for one in persons] == [KEEPER, COOK]
    assert [(one.side, one.film.name) for one in persons[0].feet] == [
        ("L", "b.dcm"), ("L", "a.dcm"), ("R", "b.dcm"), ("R", "a.dcm"),
    ]  # fmt: skip
    assert [one.film.name for one in persons[1].feet] == ["c.dcm"]
    assert left == ()


def test_films_of_nobody_and_of_no_day_are_named_with_the_reason(told, film_of):
    persons, left = told({"a.png": film_of(person=""), "b.dcm": film_of(taken=""), "c.dcm": film_of(feet=())})
    assert persons == ()
    why = {one.film: one.why for one in left}
    assert "whose film" in why["a.png"]
    assert "when the film was taken" in why["b.dcm"]
    assert "no foot found" in why["c.dcm"]
    assert {one.film: one.person for one in left}["b.dcm"] == KEEPER


def test_the_table_gives_person_and_day_where_the_file_has_none(told, film_of):
    persons, left = told(
        {"a.png": film_of(person="", taken=""), "b.dcm": film_of()},
        "film,person,date\na.png,P-07,2024-05-06\nb.dcm,P-07,\n",
    )
    (person,) = persons
    assert person.called == "P-07"
    assert [one.taken for one in person.feet] == ["2024-05-06", "2025-03-01"]
    assert left == ()


def test_other_films_of_a_named_person_go_with_it(told, film_of):
    persons, _ = told({"a.dcm": film_of(), "b.dcm": film_of(taken="2026-01-01")}, "film,person\na.dcm,P-07\n")
    assert [(one.called, len(one.feet)) for one in persons] == [("P-07", 2)]


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("a.dcm,P-07\nc.dcm,P-07", r"line 3, column person.*another person"),
        ("a.dcm,P-07\nb.dcm,P-08", r"line 3, column person.*the person of line 2"),
        ("a.dcm,P-07\nn.png,p-07", r"line 3, column person.*capitals"),
        (f"a.dcm,{COOK}", r"line 2, column person.*code of another person"),
        ("n.png,P-07\na.dcm,P-07\nc.dcm,P-07", r"line 4, column person.*another person"),
    ],
)
def test_two_persons_are_never_mixed(told, film_of, rows, said):
    films = {
        "a.dcm": film_of(),
        "b.dcm": film_of(taken="2026-01-01"),
        "c.dcm": film_of(person=COOK),
        "n.png": film_of(person="", taken="2026-01-01"),
    }
    with pytest.raises(UserTableError, match=said):
        told(films, f"film,person\n{rows}\n")


def test_two_feet_of_one_film_with_one_name_are_in_no_report(told, film_of, foot_of):
    """One of the two names is wrong: the other foot's numbers would stand in this one's series."""
    persons, left = told({"a.dcm": film_of(feet=(foot_of(hva=20.0), foot_of(hva=40.0)))})
    assert persons == ()
    assert [(one.foot_index, "called R" in one.why) for one in left] == [(0, True), (1, True)]

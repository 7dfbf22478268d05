"""Only films of one person are compared, with what reading error alone makes of a difference.

Minimal detectable change: 1.96 x sqrt(2) x SEM; SEM of HVA 1.77, of IMA 1.84 (reader_error.yaml), so 4.9 and 5.1.
Interval of a difference of two normal errors: sd = sqrt(a^2 + b^2) (any textbook of statistics).
"""

import math

import pytest

from raysplay.configs.protocol import protocol
from raysplay.infer.outputs.finished_run import FilmFacts
from raysplay.infer.review.shown import Shown
from raysplay.infer.review.visits import Visit, changes
from raysplay.measure import by_name

pytestmark = pytest.mark.usefixtures("no_films_ahead")

KEEPER, COOK = "1111222233334444", "5555666677778888"
FOOT = ("R", "accepted", [])
ARCHIVE = {
    "1 keeper before.dcm": [FOOT, ("L", "accepted", [])],
    "2 keeper after.dcm": [FOOT],
    "3 keeper oblique.dcm": [("R", "refused", [("not_dorsoplantar", "not a dorsoplantar view: looks oblique (1.00)")])],
    "4 cook.dcm": [FOOT],
    "5 nobody.dcm": [FOOT],
    "6 keeper undated.dcm": [FOOT],
}
"""Rows of feet.csv: 1 keeper R and 2 keeper L before, 3 keeper R after, 4 refused, 5 cook, 6 nobody, 7 undated."""
PERSONS = {
    "1 keeper before.dcm": (KEEPER, "2025-03-01"),
    "2 keeper after.dcm": (KEEPER, "2026-03-01"),
    "3 keeper oblique.dcm": (KEEPER, "2026-03-01"),
    "4 cook.dcm": (COOK, "2026-03-01"),
    "6 keeper undated.dcm": (KEEPER, ""),
}
BEFORE, LEFT, AFTER, REFUSED, OTHER, NOBODY, UNDATED = range(1, 8)


@pytest.fixture
def page(make_run, serve):
    return serve(make_run(ARCHIVE, "visits", "visits_films", persons=PERSONS)).browser("AB")


def others(page, number, **query):
    return page.get(f"/api/feet/{number}/others", params=query).json()


def compared(page, number, other, **sent):
    return page.post("/api/measure", json={"id": number, "compared": other, **sent})


def change(answer, name="hva"):
    (one,) = [one for one in answer.json()["comparison"]["measures"] if one["name"] == name]
    return one


def moved(page, number, code, dx):
    (point,) = [one for one in page.get(f"/api/feet/{number}").json()["points"] if one["code"] == code]
    return [{"code": code, "x": point["x"] + dx, "y": point["y"], "moved": True}]


def save(page, number, verdict, version=0, **rest):
    answer = page.post(f"/api/feet/{number}/reads", json={"version": version, "verdict": verdict, **rest})
    assert answer.status_code == 200, answer.text


def test_feet_of_one_person_and_side_are_offered(page):
    found = others(page, BEFORE)
    assert found["person"] == KEEPER[:6]
    assert found["taken"] == "2025-03-01"
    assert [(one["id"], one["taken"]) for one in found["feet"]] == [
        (AFTER, "2026-03-01"),
        (REFUSED, "2026-03-01"),
        (UNDATED, None),
    ]
    assert KEEPER not in page.get(f"/api/feet/{BEFORE}/others").text
    assert [one["id"] for one in others(page, BEFORE, text="AFTER")["feet"]] == [AFTER]
    assert others(page, BEFORE)["feet"][1]["unfit"].startswith("refused by the model (not a dorsoplantar")


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (LEFT, "No other film of this person in this run shows the left foot."),
        (OTHER, "No other film of this person in this run shows the right foot."),
        (NOBODY, "does not say whose film it is"),
    ],
)
def test_where_there_is_none_it_is_said(page, number, said):
    found = others(page, number)
    assert found["feet"] == []
    assert said in found["why"]


def test_a_difference_comes_with_its_interval_and_the_readers_error(page):
    points = moved(page, AFTER, "PPd_med", 12.0)
    answer = compared(page, AFTER, BEFORE, points=points)
    told = answer.json()["comparison"]
    assert (told["later"], told["taken"], told["why"]) == ("here", "2025-03-01", None)
    here = {one["name"]: one for one in answer.json()["measures"]}["hva"]
    there = {one["name"]: one for one in page.get(f"/api/feet/{BEFORE}").json()["measured"]["measures"]}["hva"]
    one = change(answer)
    assert one["other"] == there["value"]
    assert one["difference"] == pytest.approx(here["value"] - there["value"], abs=1e-9)
    read = [(which["high"] - which["low"]) / 2 for which in (here, there)]
    new_film = 1.6449 * math.sqrt(2.0) * 1.8  # new_film_error.yaml, at 90 %
    assert one["high"] - one["difference"] == pytest.approx(math.hypot(*read, new_film), abs=0.11)
    assert one["reader_mdc"] == 4.9
    own = [half / 1.6449 for half in read]
    assert one["mdc"] == pytest.approx(max(4.9, 1.96 * math.hypot(*own, math.sqrt(2.0) * 1.8)), abs=0.15)
    assert one["holds_new_film"]
    assert change(answer, "ima")["reader_mdc"] == 5.1
    assert change(answer, "ima45")["reader_mdc"] is None
    assert any("tube tilt" in one for one in told["caveats"])


def test_the_later_film_less_the_earlier_one(page):
    """Whichever of the two is open."""
    save(page, AFTER, "correct", points=moved(page, AFTER, "PPd_med", 12.0))
    here, there = compared(page, AFTER, BEFORE), compared(page, BEFORE, AFTER)
    assert change(here)["difference"] == change(there)["difference"] > 0
    assert (here.json()["comparison"]["later"], there.json()["comparison"]["later"]) == ("here", "there")
    assert compared(page, BEFORE, UNDATED).json()["comparison"]["later"] is None


def test_what_is_beyond_the_error_of_readers(page):
    assert change(compared(page, AFTER, BEFORE))["verdict"] == "within error"
    far = compared(page, AFTER, BEFORE, points=moved(page, AFTER, "PPd_med", 60.0))
    assert abs(change(far)["difference"]) > 4.9
    assert change(far)["verdict"] == "beyond error"


def test_constructions_are_not_mixed(page):
    one = change(compared(page, AFTER, BEFORE, construction="head_base"))
    assert one["difference"] is None
    assert "different constructions" in one["why"]


def test_a_withheld_measure_is_not_compared(page):
    """Which film lacks it is said, as the page calls them."""
    hidden = [{"code": "M1d_med", "x": None, "y": None, "visible": False}]
    one = change(compared(page, AFTER, BEFORE, points=hidden))
    assert (one["difference"], one["why"]) == (None, "withheld on this film")
    save(page, BEFORE, "correct", points=hidden)
    one = change(compared(page, AFTER, BEFORE))
    assert (one["other"], one["difference"], one["why"]) == (None, None, "withheld on the other film")


def test_words_of_a_file_are_not_rewritten():
    """What a film says of itself stays as it is, also where it reads like a sentence of the program."""

    def visit(name, taken, loading):
        film = FilmFacts(name, "", 1000, 900, 0.15, 0.15, 1.0, "detector plane", (), taken=taken, loading=loading)
        return Visit(film, "R", (Shown(by_name("hva", "shaft"), (30.0, 28.0, 32.0), 1.0, "", None, None, False),))

    pair = visit("a", "2025-03-01", "as on the first film"), visit("b", "2026-03-01", "as on the second film")
    for here, there in (pair, pair[::-1]):
        (one,) = changes(here, there, protocol().change, 0.9)["measures"]
        assert one["why"] == "different loading: as on the first film and as on the second film"


def test_unfit_feet_have_no_difference(page):
    told = compared(page, BEFORE, REFUSED).json()["comparison"]
    assert told["measures"] == []
    assert told["why"].startswith("The other foot is not compared: refused by the model")
    save(page, AFTER, "cannot_be_measured", reason="other")
    told = compared(page, BEFORE, AFTER).json()["comparison"]
    assert (told["measures"], told["why"]) == (
        [],
        "The other foot is not compared: settled: cannot be measured (other).",
    )
    assert others(page, BEFORE)["feet"][0]["unfit"] == "settled: cannot be measured (other)"
    save(page, UNDATED, "wrong_view")
    assert "wrong view" in compared(page, BEFORE, UNDATED).json()["comparison"]["why"]
    told = compared(page, AFTER, BEFORE).json()["comparison"]
    assert told["why"].startswith("This foot is not compared")


@pytest.mark.parametrize(("number", "other"), [(BEFORE, OTHER), (BEFORE, NOBODY), (NOBODY, BEFORE), (BEFORE, LEFT)])
def test_feet_that_do_not_belong_together_are_refused(page, number, other):
    answer = compared(page, number, other)
    assert answer.status_code == 422
    assert "compared" in answer.json()["error"]


def test_another_name_is_another_foot(page):
    """Feet are matched by what they are called now."""
    save(page, BEFORE, "wrong_side")
    assert [one["id"] for one in others(page, AFTER)["feet"]] == [REFUSED, UNDATED]
    assert compared(page, AFTER, BEFORE).status_code == 422


def test_a_reader_without_numbers_compares_nothing(make_run, serve, tmp_path):
    study = tmp_path / "study.yaml"
    study.write_text("{name: tide, seed: 4, readers: [AB]}")
    run = make_run(ARCHIVE, "visits", "visits_films", persons=PERSONS)
    page = serve(run, study=study).browser("AB")
    found = others(page, 1)
    assert (found["feet"], found["person"], found["taken"]) == ([], None, None)
    text = page.post("/api/measure", json={"id": 1, "compared": 2}).text + page.get("/api/feet/1").text
    assert "2025" not in text
    assert KEEPER[:6] not in text

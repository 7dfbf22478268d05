"""Blind reads: order by seed, repeats, readers apart, nothing of the model.

The plan is that of Bland and Altman, Lancet 1986;i:307: repeats by one observer, in random order, blind to the first.
"""

import csv
import json

import pytest
import yaml
from typer.testing import CliRunner

from raysplay.configs.load import ConfigError
from raysplay.infer.outputs.finished_run import FinishedRun
from raysplay.infer.review.study import Study, StudyError, StudyItem
from raysplay.train.cli import app
from raysplay.train.reference_page.foot import REFERENCE_FOOT

pytestmark = pytest.mark.usefixtures("no_films_ahead")

PLAN = {"name": "Harbour readers", "seed": 3, "readers": ["AB", "CD"], "repeats": 0.5}
NEEDED = 20
"""Landmarks of HVA, IMA and IMA 4-5 by shafts: four on each of five bones."""


@pytest.fixture
def fleet(make_run):
    """Twenty films of one foot each."""
    return make_run({f"fleet/{i:02d}.dcm": [("RL"[i % 2], "accepted", [])] for i in range(20)}, "fleet", "fleet_films")


@pytest.fixture
def plan(tmp_path):
    def written(**changes):
        path = tmp_path / "study.yaml"
        path.write_text(yaml.safe_dump({**PLAN, **changes}))
        return path

    return written


def test_every_reader_has_an_own_order_that_the_seed_fixes(fleet, plan):
    run = FinishedRun(fleet)
    study = Study(plan(), run, 5)
    orders = {reader: study.order(reader) for reader in ("AB", "CD")}
    assert orders["AB"] != orders["CD"]
    assert orders == {reader: Study(plan(), run, 5).order(reader) for reader in ("AB", "CD")}
    assert Study(plan(seed=4), run, 5).order("AB") != orders["AB"]
    assert Study(plan(seed=4), run, 5).identity != study.identity
    assert Study(plan(readers=["AB", "CD", "EF"]), run, 5).identity == study.identity
    first = [one.foot for one in orders["AB"] if one.repeat == 1]
    assert sorted(first) == list(range(20))
    assert first != sorted(first)


@pytest.mark.parametrize("seed", range(25))
def test_repeats_come_later_and_are_the_same_feet_for_everyone(fleet, plan, seed):
    study = Study(plan(seed=seed), FinishedRun(fleet), 5)
    repeated = {}
    for reader in ("AB", "CD"):
        order = study.order(reader)
        assert len(order) == 30
        repeated[reader] = {one.foot for one in order if one.repeat == 2}
        assert len(repeated[reader]) == 10
        for foot in repeated[reader]:
            apart = order.index(StudyItem(foot, 2)) - order.index(StudyItem(foot, 1))
            assert apart >= 5
    assert repeated["AB"] == repeated["CD"]


def test_feet_are_chosen_by_decision_side_film_and_number(harbour, fleet, plan):
    run = FinishedRun(harbour)
    assert sorted(one.foot for one in Study(plan(repeats=0), run, 5).order("AB")) == [0, 1, 2, 3]
    some = Study(plan(repeats=0, feet={"decisions": ["review"], "sides": ["L"]}), run, 5)
    assert [one.foot for one in some.order("AB")] == [3]
    assert {one.foot for one in Study(plan(feet={"films": ["spring/m*"]}), run, 5).order("AB")} == {1, 2}
    assert len({one.foot for one in Study(plan(feet={"number": 7}), FinishedRun(fleet), 5).order("AB")}) == 7
    with pytest.raises(StudyError, match="no foot of this run"):
        Study(plan(feet={"films": ["nothing"]}), run, 5)


@pytest.mark.parametrize(
    "change",
    [
        {"seed": -1},
        {"readers": []},
        {"readers": ["AB", "ab"]},
        {"readers": ["=1"]},
        {"repeats": 2},
        {"extra": 1},
        {"name": "a/b"},
    ],
)
def test_a_wrong_study_file_is_refused(harbour, plan, change):
    with pytest.raises(ConfigError, match=r"study\.yaml"):
        Study(plan(**change), FinishedRun(harbour), 5)


def blind_points(page):
    """The reference foot on a film, as a right one."""
    codes = page.get("/api/session").json()["study"]["landmarks"]
    places = [(code, *REFERENCE_FOOT[code]) for code in codes]
    return [{"code": code, "x": 400 + 5 * x, "y": 700 - 5 * y, "moved": True} for code, x, y in places]


def test_nothing_of_the_model_reaches_a_blind_reader(serve, harbour, plan):
    """Names of films, decisions, reasons, numbers, points, and which film is a repeat."""
    page = serve(harbour, study=plan(feet={"decisions": ["review", "accepted"]})).browser("ab")
    session = page.get("/api/session").json()
    assert session["study"]["reads_total"] == 6
    assert session["study"]["reads_done"] == 0
    assert len(session["study"]["landmarks"]) == NEEDED
    answers = [page.get("/api/feet").text]
    for number in range(1, 7):
        answers.append(page.get(f"/api/feet/{number}").text)
        answers.append(page.get(f"/api/feet/{number}/others").text)
        answers.append(page.post("/api/measure", json={"id": number, "points": blind_points(page)}).text)
        shown = json.loads(answers[-3])
        assert shown["points"] == []
        assert shown["film"] is None
        assert shown["film_id"] == number
        assert shown["id"] == number
        assert shown["measured"]["grades"] == []
        assert page.get(f"/api/films/{number}/pixels").status_code == 200
    for text in answers:
        for hidden in ("spring", "cook", "dcm", "review", "doubtful", 'confidence":0.9', "accepted"):
            assert hidden not in text
        for row in json.loads(text)["measured"]["measures"] if '"measured"' in text else []:
            assert (row["value"], row["low"], row["high"]) == (None, None, None)
    assert page.get("/api/feet/7").status_code == 404
    assert page.get("/api/films/7/pixels").status_code == 404


def test_an_impossible_angle_is_told_without_its_value(serve, harbour, plan, place, schema):
    """The golden foot is possible; with base and head of its first metatarsal exchanged, IMA lies far outside
    `shape.values` of configs/decision.yaml. The 4-5 angle does not touch that bone."""
    page = serve(harbour, study=plan(feet={"films": ["spring/cook.dcm"]})).browser("ab")
    golden = {code: tuple(map(float, xy)) for code, xy in zip(schema.codes, place("R").points, strict=True)}
    exchanged = {**golden, "M1p_med": golden["M1d_med"], "M1p_lat": golden["M1d_lat"]}
    exchanged |= {"M1d_med": golden["M1p_med"], "M1d_lat": golden["M1p_lat"]}

    def told(places):
        codes = page.get("/api/session").json()["study"]["landmarks"]
        points = [{"code": code, "x": places[code][0], "y": places[code][1], "moved": True} for code in codes]
        rows = page.post("/api/measure", json={"id": 1, "points": points}).json()["measures"]
        assert all(row["value"] is None and row["low"] is None for row in rows)
        return {row["name"]: row["implausible"] for row in rows}

    assert not any(told(golden).values())
    odd = told(exchanged)
    assert (odd["ima"], odd["hva"], odd["ima45"]) == (True, True, False)


def test_a_stranger_to_the_study_sees_nothing(serve, harbour, plan):
    page = serve(harbour, study=plan()).browser()
    assert page.post("/api/reader", json={"initials": "ZZ"}).status_code == 422
    for path in ("/api/feet", "/api/feet/1", "/api/films/1/pixels", "/api/progress", "/api/feet/1/history"):
        assert page.get(path).status_code == 422


def test_readers_are_kept_apart_and_a_read_must_be_whole(serve, harbour, plan):
    server = serve(harbour, study=plan())
    first, second = server.browser("AB"), server.browser("CD")
    points = blind_points(first)
    refused = first.post("/api/feet/1/reads", json={"version": 0, "verdict": "correct", "points": points[1:]})
    assert refused.status_code == 422
    assert points[0]["code"] in refused.json()["error"]
    assert first.post("/api/feet/1/reads", json={"version": 0, "verdict": "confirm"}).status_code == 422
    hidden = [{"code": points[0]["code"], "x": None, "y": None, "visible": False}, *points[1:]]
    saved = first.post("/api/feet/1/reads", json={"version": 0, "verdict": "correct", "points": hidden})
    assert saved.status_code == 200
    assert first.get("/api/progress").json()["done"] == 1
    assert second.get("/api/progress").json()["done"] == 0
    assert second.get("/api/feet/1").json()["version"] == 0
    assert second.get("/api/feet/1/history").json() == []
    mine = first.get("/api/feet/1").json()
    assert {point["code"] for point in mine["points"]} == {point["code"] for point in points[1:]}


def test_reads_come_out_in_the_long_form(serve, harbour, plan, tmp_path):
    """One row a reader, foot, repeat and measure, ready for limits of agreement."""
    server = serve(harbour, study=plan(construction="head_base", repeats=1))
    for reader in ("AB", "CD"):
        page = server.browser(reader)
        for number in range(1, 9):
            if reader == "CD" and number == 8:
                sent = {"verdict": "cannot_be_measured", "reason": "too blurred"}
            else:
                sent = {"verdict": "correct", "points": blind_points(page)}
            assert page.post(f"/api/feet/{number}/reads", json={"version": 0, **sent}).status_code == 200
    result = CliRunner().invoke(app, ["export", str(harbour), "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    with (tmp_path / "out" / "reads.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 15 * 3 + 1
    assert {row["reader"] for row in rows} == {"AB", "CD"}
    seen = [(row["reader"], row["film"], row["foot_index"], row["repeat"]) for row in rows if row["measure"] == "hva"]
    assert len(seen) == len(set(seen)) == 15
    assert {row["repeat"] for row in rows} == {"1", "2"}
    assert {row["construction"] for row in rows if row["measure"] == "ima"} == {"head_base"}
    assert all(float(row["value"]) == float(row["value"]) for row in rows if row["measure"])
    (none,) = [row for row in rows if not row["measure"]]
    assert (none["reader"], none["state"]) == ("CD", "not_measurable")
    with (tmp_path / "out" / "feet_reviewed.csv").open() as stream:
        assert {row["state"] for row in csv.DictReader(stream)} == {"open"}

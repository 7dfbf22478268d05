"""What a foot is called, and what its points show, are two questions: no letter turns the sign of an angle.

HVA and IMA are positive where the great toe leans toward the lesser toes, and the first metatarsal away from the
second, on either foot (fact sheet, section 1). Golden angles: section 8.5.
"""

import csv
import hashlib
import json

import numpy as np
import pytest
from typer.testing import CliRunner

from raysplay.train.cli import app
from raysplay.train.real_crops.own_films import lay_crop, read_landmarks
from raysplay.train.reference_page.foot import REFERENCE_FOOT

pytestmark = pytest.mark.usefixtures("no_films_ahead")

GOLDEN = {"hva": 31.995, "ima": 13.995, "ima45": 7.991}


def table(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def exported(run, out):
    result = CliRunner().invoke(app, ["export", str(run), "--out", str(out), "--overwrite"])
    assert result.exit_code == 0, result.output
    return table(out / "feet_reviewed.csv")


def foot(page, number=1):
    return page.get(f"/api/feet/{number}").json()


def numbers(answer):
    return {one["name"]: one["value"] for one in answer.get("measured", answer)["measures"]}


def save(page, number, verdict, version, **rest):
    return page.post(f"/api/feet/{number}/reads", json={"version": version, "verdict": verdict, **rest})


def mirrored(points, columns=900):
    """Where the same anatomy lies on a film that was flipped, as a hand would place it."""
    return [{"code": one["code"], "x": columns - 1 - one["x"], "y": one["y"], "moved": True} for one in points]


def test_another_name_leaves_every_number_as_it_was(page, harbour, tmp_path):
    """The case that an earlier version got wrong: HVA 32.0, moderate, became -32.0, normal."""
    before = foot(page)
    assert numbers(before) == pytest.approx(GOLDEN, abs=0.051)
    asked = page.post("/api/measure", json={"id": 1, "side": "L"}).json()
    assert (asked["side"], asked["shown_as"]) == ("L", "R")
    assert numbers(asked) == numbers(before)
    assert asked["grades"] == before["measured"]["grades"]
    assert save(page, 1, "wrong_side", 0).json()["state"] == "wrong_side"
    after = foot(page)
    assert (after["foot"], after["side_by"], after["measured"]["shown_as"]) == ("L", "AB", "R")
    assert numbers(after) == numbers(before)
    assert after["measured"]["grades"] == before["measured"]["grades"]
    (listed,) = page.get("/api/feet", params={"state": "wrong_side"}).json()["feet"]
    assert (listed["foot"], listed["values"]["hva"]["value"]) == ("L", 32.0)
    row = exported(harbour, tmp_path / "out")[0]
    assert (row["foot"], row["side_by"], row["shown_as"]) == ("L", "AB", "R")
    assert (row["hva"], row["hva_source"]) == ("32.0", "model, side stated by AB")
    assert table(tmp_path / "out" / "history.csv")[0]["foot"] == "L"


def test_worklist_page_and_tables_call_it_the_same(page, harbour, tmp_path):
    """Also by the filter, which counts it under its new name."""
    was = page.get("/api/feet", params={"side": "R"}).json()["total"]
    save(page, 1, "wrong_side", 0, side="L")
    save(page, 1, "confirm", 1)
    assert page.get("/api/feet", params={"side": "R"}).json()["total"] == was - 1
    assert 1 in {one["id"] for one in page.get("/api/feet", params={"side": "L"}).json()["feet"]}
    exported(harbour, tmp_path / "out")
    names = {row["foot"] for row in table(tmp_path / "out" / "corrected_landmarks.csv")}
    assert names == {"L"} == {foot(page)["foot"]}
    assert exported(harbour, tmp_path / "out")[0]["hva_source"] == "confirmed by AB"


def test_points_of_a_mirrored_film_train_as_they_lie(page, harbour, tmp_path):
    """Its crop is the one of the same points under the other name: medial points stay on the medial side."""
    save(page, 1, "wrong_side", 0)
    save(page, 1, "confirm", 1)
    save(page, 2, "confirm", 0)
    exported(harbour, tmp_path / "out")
    renamed, plain = read_landmarks(tmp_path / "out" / "corrected_landmarks.csv")
    assert (renamed.side, plain.side) == ("L", "R")
    np.testing.assert_allclose(lay_crop(renamed, 1.0), lay_crop(plain, 1.0))


def test_points_on_the_wrong_foot_give_no_number_until_they_are_placed_anew(page, harbour, tmp_path):
    old = foot(page)["points"]
    asked = page.post("/api/measure", json={"id": 1, "side": "L", "anew": True}).json()
    assert set(numbers(asked).values()) == {None}
    assert asked["grades"] == []
    assert asked["shown_as"] == ""
    assert save(page, 1, "wrong_side", 0, side="L", anew=True).json()["state"] == "wrong_side"
    shown = foot(page)
    assert (shown["anew"], shown["foot"]) == (True, "L")
    assert set(numbers(shown).values()) == {None}
    assert {(point["x"], point["model_x"], point["confidence"]) for point in shown["points"]} == {(None, None, None)}
    row = exported(harbour, tmp_path / "out")[0]
    assert (row["hva"], row["hva_source"], row["shown_as"]) == ("", "", "")
    assert row["withheld"].startswith("hva:no_points")
    assert table(tmp_path / "out" / "corrected_landmarks.csv") == []
    # The foot that is really there: the same anatomy, mirrored.
    save(page, 1, "reopen", 1)
    assert save(page, 1, "correct", 2, points=mirrored(old)).status_code == 200
    placed = foot(page)
    assert numbers(placed) == pytest.approx(GOLDEN, abs=0.1)
    assert placed["measured"]["shown_as"] == "L"
    assert exported(harbour, tmp_path / "out")[0]["hva_source"] == "corrected by AB"


def test_a_few_points_do_not_bring_back_the_models(page):
    save(page, 1, "wrong_side", 0, side="R", anew=True)
    save(page, 1, "reopen", 1)
    first = [{"code": "M1d_med", "x": 300.0, "y": 400.0, "moved": True}]
    answer = page.post("/api/measure", json={"id": 1, "points": first}).json()
    assert set(numbers(answer).values()) == {None}
    assert "which way round" in answer["measures"][0]["withheld"]


@pytest.mark.parametrize("name", ["L", "R"])
def test_the_sign_follows_the_points_whatever_the_foot_is_called(page, name):
    """Both ways round on the film, under both names: always the golden angles."""
    points = foot(page)["points"]
    for placed in (points, mirrored(points)):
        sent = [{**{k: one[k] for k in ("code", "x", "y")}, "moved": True} for one in placed]
        answer = page.post("/api/measure", json={"id": 1, "side": name, "points": sent}).json()
        assert numbers(answer) == pytest.approx(GOLDEN, abs=0.051)
    assert answer["shown_as"] == "L"


def test_a_model_whose_points_contradict_the_run_is_held_back(make_run, serve, tmp_path):
    """The run took it for a right foot and turned the sign; its points lie as on a left one."""
    run = make_run({"a.dcm": [("R", "review", [("side_doubtful", "odd")], {"shown": "L"})]}, "odd", "odd_films")
    page = serve(run).browser("AB")
    assert float(table(run / "feet.csv")[0]["hva"]) == pytest.approx(-31.995, abs=0.051)
    # Neither before it was opened nor after, and in no order of the list.
    for sort in ("doubt", "hva", "width"):
        (row,) = page.get("/api/feet", params={"sort": sort}).json()["feet"]
        assert [one["value"] for one in row["values"].values()] == [None] * 3
        assert (row["widest"], row["border"]) == (None, None)
    shown = foot(page)
    assert set(numbers(shown).values()) == {None}
    assert shown["measured"]["measures"][0]["held"]["cause"] == "side"
    assert page.get("/api/feet").json()["feet"][0]["values"]["hva"]["value"] is None
    assert exported(run, tmp_path / "out")[0]["hva"] == ""
    taken = page.post("/api/measure", json={"id": 1, "accepted": {"hva": None}}).json()
    assert numbers(taken)["hva"] == pytest.approx(31.995, abs=0.051)


def positive(run):
    """Every number of a run above zero, in tables that count as its own."""
    feet, about = run / "feet.csv", json.loads((run / "run.json").read_text("utf-8"))
    rows = table(feet)
    for row in rows:
        for name in ("hva", "ima", "ima45"):
            value, low, high = (abs(float(row[f"{name}{end}"])) for end in ("", "_low", "_high"))
            row.update({name: f"{value:.1f}", f"{name}_low": f"{min(low, high):.1f}"})
            row[f"{name}_high"] = f"{max(low, high):.1f}"
    with feet.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    about["tables"]["feet.csv"] = hashlib.sha256(feet.read_bytes()).hexdigest()
    (run / "run.json").write_text(json.dumps(about), "utf-8")


def test_a_turned_sign_is_found_where_it_made_an_angle_positive(make_run, serve, tmp_path):
    """A splayed great toe has an HVA below zero: turned, it is above, and no sign tells."""
    run = make_run({"a.dcm": [("R", "accepted", [], {"shown": "L"}), ("R", "accepted", [])]}, "odd", "odd_films")
    positive(run)
    page = serve(run).browser("AB")
    first, second = sorted(page.get("/api/feet").json()["feet"], key=lambda row: row["id"])
    assert [one["value"] for one in first["values"].values()] == [None] * 3
    assert (first["widest"], first["border"]) == (None, None)
    assert second["values"]["hva"]["value"] == pytest.approx(31.995, abs=0.051)
    rows = exported(run, tmp_path / "out")
    assert (rows[0]["hva"], rows[1]["hva"]) == ("", "32.0")
    assert rows[0]["withheld"]


def test_moving_other_bones_turns_no_sign(page):
    """A fifth metatarsal dragged across the first turns the foot over: what no hand placed is held back."""
    at = {point["code"]: point for point in foot(page)["points"]}
    across = at["M1d_med"]["x"] - at["M5d_med"]["x"] - 60.0
    sent = [
        {"code": code, "x": at[code]["x"] + across, "y": at[code]["y"], "moved": True}
        for code in at
        if code[:4] in ("M5p_", "M5d_")
    ]
    answer = page.post("/api/measure", json={"id": 1, "points": sent}).json()
    assert answer["shown_as"] == "L"
    assert (numbers(answer)["hva"], numbers(answer)["ima"]) == (None, None)
    assert answer["measures"][0]["held"]["cause"] == "side"


def test_two_feet_of_one_film(page):
    """A mirrored film changes both names: after one of them, the other is pointed at."""
    assert [one["foot"] for one in foot(page, 2)["companions"]] == ["L"]
    save(page, 2, "wrong_side", 0)
    said = "two feet of this film are called left now: if the film is mirrored, both names were wrong"
    assert {"kind": "same_name", "text": said} in foot(page, 2)["remarks"]
    assert {"kind": "same_name", "text": said} in foot(page, 3)["remarks"]
    save(page, 3, "wrong_side", 0)
    for number, name in ((2, "L"), (3, "R")):
        assert foot(page, number)["foot"] == name
        assert not [one for one in foot(page, number)["remarks"] if one["kind"] == "same_name"]
    assert [one["hva"]["value"] for one in (row["values"] for row in page.get("/api/feet").json()["feet"][:3])]


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({"verdict": "wrong_side", "side": "R"}, "state the right side"),
        ({"verdict": "confirm", "side": "L"}, "correction"),
        ({"verdict": "confirm", "anew": True}, "correction"),
    ],
)
def test_what_does_not_fit_is_refused(page, sent, said):
    answer = page.post("/api/feet/1/reads", json={"version": 0, **sent})
    assert answer.status_code == 422
    assert said in answer.json()["error"].lower()


def test_a_correction_may_state_the_side_too(page):
    assert save(page, 1, "correct", 0, side="L").json()["state"] == "corrected"
    assert numbers(foot(page)) == pytest.approx(GOLDEN, abs=0.051)
    (entry,) = foot(page)["history"]
    assert (entry["before"]["side"], entry["after"]["side"], entry["after"]["side_by"]) == ("R", "L", "AB")
    assert entry["after"]["frame"] == "R"


def test_in_a_blind_read_the_points_tell_the_sign(serve, harbour, tmp_path):
    """The name that the study shows is the run's; a reader may say otherwise, which changes the name alone."""
    study = tmp_path / "study.yaml"
    study.write_text("{name: tide, seed: 4, readers: [AB], feet: {films: ['spring/cook*']}}")
    page = serve(harbour, study=study).browser("AB")

    def hand_placed():
        codes = page.get("/api/session").json()["study"]["landmarks"]
        places = [(code, *REFERENCE_FOOT[code]) for code in codes]
        return [{"code": code, "x": 400 + 5 * x, "y": 700 - 5 * y, "moved": True} for code, x, y in places]

    for name in ("R", "L"):
        version = foot(page)["version"]
        sent = mirrored(hand_placed()) if name == "L" else hand_placed()
        assert save(page, 1, "correct", version, side=name, points=sent).json()["state"] == "corrected"
        assert page.get("/api/feet").json()["feet"][0]["foot"] == name
        exported(harbour, tmp_path / "out")
        rows = {row["measure"]: row for row in table(tmp_path / "out" / "reads.csv")}
        assert {row["foot"] for row in rows.values()} == {name}
        assert float(rows["hva"]["value"]) == pytest.approx(32.0, abs=0.1)
        assert len(rows["hva"]["value"].split(".")[1]) == 1
    assert save(page, 1, "wrong_side", 2).json()["state"] == "wrong_side"
    assert foot(page)["foot"] == "R"
    refused = save(page, 1, "wrong_side", 3, anew=True, side="L")
    assert refused.status_code == 422
    shown = page.post("/api/measure", json={"id": 1, "side": "L"}).json()
    assert set(numbers(shown).values()) == {None}
    assert shown["shown_as"] == ""

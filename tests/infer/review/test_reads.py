"""A foot as a reader has it, over the real server: measures, verdicts, history. Golden numbers: the project's fact
sheet, section 8.5 (tests/data/golden_points.json)."""

import itertools
import json
import math
import os
import subprocess
import sys
import threading

import httpx
import numpy as np
import pytest

from raysplay.infer.review.reading import Measured, grades
from raysplay.infer.review.settings import review_settings
from raysplay.measure import MEASURES, by_name

pytestmark = pytest.mark.usefixtures("no_films_ahead")

MM = 0.2
"""Distance of pixels on the harbour films, as written by the fixtures."""


def sent(points, **moved):
    """Points as the page sends them, some moved by (dx, dy)."""
    rows = [{name: point[name] for name in ("code", "x", "y", "visible", "moved")} for point in points]
    for row in rows:
        if row["code"] in moved:
            dx, dy = moved[row["code"]]
            row |= {"x": row["x"] + dx, "y": row["y"] + dy, "moved": True}
    return rows


def value(measured, name="hva"):
    (one,) = [row for row in measured["measures"] if row["name"] == name]
    return one


def foot(page, number=1):
    answer = page.get(f"/api/feet/{number}")
    assert answer.status_code == 200
    return answer.json()


def save(page, number, verdict, version, **rest):
    return page.post(f"/api/feet/{number}/reads", json={"version": version, "verdict": verdict, **rest})


def axis(points, bone):
    """Angle of a shaft axis on the film from the middles of its two levels, by hand."""
    at = {point["code"]: np.array([point["x"], point["y"]]) for point in points}
    p = (at[f"{bone}p_med"] + at[f"{bone}p_lat"]) / 2
    d = (at[f"{bone}d_med"] + at[f"{bone}d_lat"]) / 2
    return math.degrees(math.atan2(d[0] - p[0], p[1] - d[1]))


def test_a_foot_comes_as_the_run_left_it(page):
    """Golden angles, and the intervals of the run's own table."""
    row = page.get("/api/feet", params={"sort": "film"}).json()["feet"][0]
    shown = foot(page)
    for name, golden in {"hva": 31.995, "ima": 13.995, "ima45": 7.991}.items():
        one = value(shown["measured"], name)
        assert one["value"] == pytest.approx(golden, abs=0.051)
        assert {end: one[end] for end in ("value", "low", "high")} == row["values"][name]
        assert one["construction"] == "shaft"
        assert one["withheld"] is None
    assert (shown["rows"], shown["columns"], shown["row_mm"]) == (1000, 900, MM)
    assert shown["film"] == "spring/cook.dcm"
    assert shown["remarks"] == [{"kind": "loading_unknown", "text": "loading unknown"}]
    assert [point["code"] for point in shown["points"]] == [
        one["code"] for one in page.get("/api/session").json()["schema"]
    ]
    assert shown["history"] == []


def test_a_moved_point_turns_its_axis(page):
    """HVA is the angle from the first metatarsal's axis to the phalanx's (fact sheet, section 1), worked out here."""
    points = sent(foot(page)["points"], M1d_med=(12.5, -3.25), M1d_lat=(6.0, 1.0))
    answer = page.post("/api/measure", json={"id": 1, "points": points}).json()
    expected = axis(points, "PP") - axis(points, "M1")
    assert value(answer)["value"] == pytest.approx(expected, abs=0.051)
    assert abs(expected - 31.995) > 1
    (line,) = [one for one in answer["axes"] if one["name"] == "M1"]
    at = {point["code"]: (point["x"], point["y"]) for point in points}
    assert line["to"] == pytest.approx(np.mean([at["M1d_med"], at["M1d_lat"]], axis=0), abs=0.001)
    assert value(answer, "ima45")["value"] == pytest.approx(7.991, abs=0.051)
    assert foot(page)["version"] == 0, "measuring saves nothing"


def test_an_unmoved_point_stays_where_the_model_put_it(page):
    """Whatever is sent: a read cannot shift a model's point without saying so."""
    points = sent(foot(page)["points"])
    points[0]["x"] += 40
    assert value(page.post("/api/measure", json={"id": 1, "points": points}).json())["value"] == pytest.approx(
        31.995, abs=0.051
    )


def test_a_moved_point_carries_the_readers_spread(page):
    """First metatarsal, all four points by hand with sd s mm: its axis over a length d has sd s / d (two midpoints
    of two points each, s^2 / 2 either end); the phalanx likewise. 90 % of a normal law lies within 1.645 sd."""
    shown = foot(page)
    bones = [f"{bone}{level}_{edge}" for bone in ("M1", "PP") for level in "pd" for edge in ("med", "lat")]
    points = sent(shown["points"], **dict.fromkeys(bones, (0.0, 0.0)))
    one = value(page.post("/api/measure", json={"id": 1, "points": points}).json())
    at = {point["code"]: np.array([point["x"], point["y"]]) * MM for point in points}
    sd = review_settings().hand_placed.millimetres.value
    variance = 0.0
    for bone in ("M1", "PP"):
        p, d = ((at[f"{bone}{level}_med"] + at[f"{bone}{level}_lat"]) / 2 for level in "pd")
        variance += (sd / np.linalg.norm(d - p)) ** 2
    half = 1.6449 * math.degrees(math.sqrt(variance))
    assert one["high"] - one["value"] == pytest.approx(half, abs=0.11)
    assert one["value"] == pytest.approx(31.995, abs=0.051)


def test_the_construction_can_be_switched(page):
    """Golden angles by head and base: fact sheet, section 8.5."""
    answer = page.post("/api/measure", json={"id": 1, "construction": "head_base"}).json()
    assert value(answer)["value"] == pytest.approx(30.489, abs=0.051)
    assert value(answer, "ima")["value"] == pytest.approx(12.488, abs=0.051)
    assert value(answer, "ima")["construction"] == "head_base"
    assert value(answer, "ima45")["construction"] == "shaft"


def test_a_point_that_is_not_visible_withholds_what_stands_on_it(page):
    points = sent(foot(page)["points"])
    for point in points:
        point["visible"] = point["code"] != "PPd_lat"
    answer = page.post("/api/measure", json={"id": 1, "points": points}).json()
    assert value(answer)["value"] is None
    assert "PPd_lat" in value(answer)["withheld"]
    assert value(answer, "ima")["value"] == pytest.approx(13.995, abs=0.051)
    assert "PP" not in {line["name"] for line in answer["axes"]}


def test_grades_follow_the_chosen_scheme(page):
    """HVA 32.0: moderate by J Foot Ankle Res 2009;2:15 (21 to 39), hallux valgus by the ROAD rule (from 20)."""
    grades = page.post("/api/measure", json={"id": 1, "grading": "pique_vidal"}).json()["grades"]
    assert {one["measure"]: one["grade"] for one in grades} == {"hva": "moderate", "ima": "moderate"}
    (road,) = page.post("/api/measure", json={"id": 1, "grading": "road"}).json()["grades"]
    assert (road["grade"], road["border"], road["borderline"]) == ("hallux valgus", 40.0, False)
    cited = {one["name"]: one["cited"] for one in page.get("/api/session").json()["grading"]}
    assert "from memory" in cited["coughlin"]


def test_feet_that_lean_the_other_way_are_varus_or_have_no_grade_and_say_why(page):
    """Bones turned to about HVA -45 and IMA -14 lie beyond what a foot film can show. By the definition's sign a toe at
    -16 is in varus (common practice, no source), and no scheme was made for a negative IMA."""
    turned = sent(foot(page)["points"], PPd_med=(-110, 30), PPd_lat=(-110, 30), M1d_med=(90, 0), M1d_lat=(90, 0))
    answer = page.post("/api/measure", json={"id": 1, "points": turned}).json()
    assert value(answer)["value"] < -30
    assert value(answer, "ima")["value"] < -10
    by_measure = {one["measure"]: one for one in answer["grades"]}
    assert by_measure["hva"]["grade"] == by_measure["ima"]["grade"] == ""
    assert by_measure["hva"]["why"] == "no grade: no foot film should show this (-30 to 75), see the points"
    assert by_measure["ima"]["why"] == "no grade: no foot film should show this (-10 to 32), see the points"
    turned = sent(foot(page)["points"], PPd_med=(-50, 0), PPd_lat=(-50, 0))
    answer = page.post("/api/measure", json={"id": 1, "points": turned}).json()
    assert -30 < value(answer)["value"] < -5
    (hva,) = [one for one in answer["grades"] if one["measure"] == "hva"]
    assert (hva["grade"], hva["why"], hva["border"]) == ("varus", None, 0.0)
    turned = sent(foot(page)["points"], M1d_med=(50, 0), M1d_lat=(50, 0))
    answer = page.post("/api/measure", json={"id": 1, "points": turned}).json()
    assert -10 < value(answer, "ima")["value"] < -2
    (ima,) = [one for one in answer["grades"] if one["measure"] == "ima"]
    assert (ima["grade"], ima["why"]) == ("", "no grade: outside of what this scheme grades (0 to 32)")
    assert (ima["border"], ima["borderline"]) == (0.0, False)


def test_scales_come_with_their_ends(page):
    """What the page draws as borders: an angle of joint surfaces ends at 0 and at a right angle."""
    grading = {one["name"]: one["scales"] for one in page.get("/api/session").json()["grading"]}
    assert grading["jrcr"]["dmaa"] == [{"grade": "normal", "from": 0}, {"grade": "abnormal", "above": 8, "up_to": 90}]
    assert grading["jrcr"]["hva"][0] == {"grade": "varus"}


def test_a_withheld_number_has_no_grade():
    """Whatever stands in its value."""
    measured = [
        Measured(by_name("hva"), 32.0, 30.0, 34.0, 1.2, ""),
        Measured(by_name("ima"), 14.0, 12.0, 16.0, 1.2, "M2d_lat is missing"),
        Measured(by_name("ppaa"), np.nan, np.nan, np.nan, np.nan, ""),
    ]
    assert [one.measure for one in grades(measured, "pique_vidal", {})] == ["hva"]


def test_a_measure_without_a_grade_comes_with_what_is_published_of_it(page):
    """Two secondary sources on the angle between the fourth and fifth metatarsal, which disagree: the project's audit
    of definitions."""
    measures = {one["name"]: one for one in page.get("/api/session").json()["measures"]}
    reference = measures["ima45"]["reference"]
    assert all(part in reference["brief"] for part in ("8", "9.1", "secondary"))
    assert any("disagree" in sentence for sentence in reference["says"])
    assert measures["hva"]["reference"] is None


def test_confirm_correct_reopen_leave_a_history(page):
    assert save(page, 1, "confirm", 0).json()["state"] == "confirmed"
    refused = save(page, 1, "correct", 1, points=sent(foot(page)["points"], M1d_med=(9, 0)))
    assert refused.status_code == 422
    assert "reopen" in refused.json()["error"]
    assert save(page, 1, "reopen", 1).json()["state"] == "open"
    points = sent(foot(page)["points"], M1d_med=(9.0, 0.5))
    assert save(page, 1, "correct", 2, points=points, note="cortex").json()["state"] == "corrected"
    shown = foot(page)
    assert (shown["state"], shown["version"], shown["note"]) == ("corrected", 3, "cortex")
    (moved,) = [point for point in shown["points"] if point["moved"]]
    (before,) = [point for point in points if point["moved"]]
    assert (moved["code"], moved["x"], moved["y"]) == ("M1d_med", before["x"], before["y"])
    assert moved["model_x"] == pytest.approx(moved["x"] - 9, abs=0.001)
    assert save(page, 1, "confirm", 3).json()["state"] == "confirmed"
    history = page.get("/api/feet/1/history").json()
    assert [entry["verdict"] for entry in history] == ["confirm", "reopen", "correct", "confirm"]
    assert [entry["version"] for entry in history] == [1, 2, 3, 4]
    assert {entry["reader"] for entry in history} == {"AB"}
    for earlier, later in itertools.pairwise(history):
        assert earlier["after"] == later["before"]
        assert earlier["when"] <= later["when"]
    assert history[2]["before"]["values"]["hva"]["value"] == pytest.approx(31.995, abs=0.051)
    assert history[2]["after"]["values"]["hva"]["by_hand"] is True
    assert history[2]["after"]["values"]["ima45"]["by_hand"] is False
    assert history == foot(page)["history"]


def test_the_worklist_shows_the_corrected_number(page):
    points = sent(foot(page)["points"], M1d_med=(9.0, 0.5))
    corrected = value(page.post("/api/measure", json={"id": 1, "points": points}).json())["value"]
    save(page, 1, "correct", 0, points=points)
    (row,) = page.get("/api/feet", params={"state": "corrected"}).json()["feet"]
    assert (row["id"], row["values"]["hva"]["value"]) == (1, corrected)


@pytest.mark.parametrize(
    ("verdict", "rest", "said"),
    [
        ("confirm", {"construction": "head_base"}, "correction"),
        ("cannot_be_measured", {}, "say why"),
        ("cannot_be_measured", {"reason": "  "}, "say why"),
        ("reopen", {}, "open already"),
        ("wrong_side", {"side": "R"}, "right side"),
    ],
)
def test_a_verdict_that_does_not_fit_is_refused(page, verdict, rest, said):
    answer = save(page, 1, verdict, 0, **rest)
    assert answer.status_code == 422
    assert said in answer.json()["error"].lower()
    assert foot(page)["version"] == 0


def test_confirming_moved_points_is_a_correction(page):
    answer = save(page, 1, "confirm", 0, points=sent(foot(page)["points"], PPd_med=(1, 0)))
    assert answer.status_code == 422
    assert "correction" in answer.json()["error"]


def test_a_foot_that_cannot_be_measured_has_no_numbers(page):
    reason = page.get("/api/session").json()["reasons_not_measurable"][0]
    assert save(page, 1, "cannot_be_measured", 0, reason=reason).json()["state"] == "not_measurable"
    (row,) = page.get("/api/feet", params={"state": "not_measurable"}).json()["feet"]
    assert {number for one in row["values"].values() for number in one.values()} == {None}
    assert save(page, 4, "wrong_view", 0).json()["state"] == "wrong_view"


def test_a_foot_without_a_side_needs_one(page):
    """Row 5 is a film on which nothing was found; row 6 a refused foot without points."""
    assert {one["value"] for one in foot(page, 5)["measured"]["measures"]} == {None}
    assert all(one["withheld"] for one in foot(page, 5)["measured"]["measures"])
    assert "side" in save(page, 5, "correct", 0).json()["error"]
    assert save(page, 5, "correct", 0, side="R").json()["state"] == "corrected"
    assert foot(page, 6)["outline"] is not None
    assert all(one["withheld"] for one in foot(page, 6)["measured"]["measures"])


def test_a_file_without_a_foot_is_refused_without_a_side(page):
    """Numbers need a side; that there is no foot does not."""
    assert save(page, 5, "confirm", 0).json()["state"] == "confirmed"
    (entry,) = page.get("/api/feet/5/history").json()
    assert (entry["after"]["side"], entry["after"]["corrected_by"]) == ("", None)
    assert [one["value"] for one in entry["after"]["values"].values()] == [None] * 3


def test_limits_and_drawn_measures_come_with_the_session(page):
    """`shape.values` of configs/decision.yaml and `overlay.measures` of configs/outputs.yaml, read here anew."""
    import yaml

    from raysplay.configs.load import shipped

    limits = yaml.safe_load(shipped("decision.yaml").read_text())["shape"]["values"]
    drawn = yaml.safe_load(shipped("outputs.yaml").read_text())["overlay"]["measures"]
    measures = page.get("/api/session").json()["measures"]
    assert measures
    for measure in measures:
        assert measure["plausible"] == limits.get(measure["name"])
        assert measure["drawn"] == (measure["name"] in drawn)


def test_a_reader_states_initials_before_a_read(serve, harbour):
    page = serve(harbour).browser()
    answer = save(page, 1, "confirm", 0)
    assert (answer.status_code, answer.json()["error"]) == (422, "State your initials first")
    assert page.get("/api/feet/1").status_code == 200
    assert page.post("/api/reader", json={"initials": "åb1"}).json() == {"reader": "ÅB1"}


def test_a_stale_read_shows_both_and_changes_nothing(serve, harbour):
    server = serve(harbour)
    first, second = server.browser("AB"), server.browser("CD")
    points = foot(first)["points"]
    save(first, 1, "correct", 0, points=sent(points, M1d_med=(9, 0)), note="first")
    late = save(second, 1, "correct", 0, points=sent(points, M1d_lat=(3, 0)), note="second")
    assert late.status_code == 409
    both = late.json()
    assert (both["theirs"]["reader"], both["theirs"]["note"], both["theirs"]["version"]) == ("AB", "first", 1)
    assert both["yours"]["note"] == "second"
    assert [point["code"] for point in both["yours"]["points"]] == ["M1d_lat"]
    assert [point["code"] for point in both["theirs"]["points"]] == ["M1d_med"]
    assert both["theirs"]["values"]["hva"]["value"] != both["yours"]["values"]["hva"]["value"]
    assert len(first.get("/api/feet/1/history").json()) == 1
    assert save(second, 1, "confirm", 1).status_code == 200


def test_a_claimed_foot_is_left_to_its_reader(serve, harbour):
    server = serve(harbour)
    first, second = server.browser("AB"), server.browser("CD")
    assert first.post("/api/feet/2/claim").json()["claim"]["reader"] == "AB"
    assert first.post("/api/feet/2/claim").status_code == 200
    refused = second.post("/api/feet/2/claim")
    assert (refused.status_code, refused.json()["claim"]["reader"]) == (409, "AB")
    assert save(second, 2, "confirm", 0).status_code == 409
    assert {row["id"]: row["claimed_by"] for row in second.get("/api/feet").json()["feet"]}[2] == "AB"
    assert first.request("DELETE", "/api/feet/2/claim").status_code == 200
    assert save(second, 2, "confirm", 0).status_code == 200


def test_a_read_sent_again_is_answered_like_the_first_time(page):
    first = save(page, 1, "confirm", 0, request="once")
    again = save(page, 1, "confirm", 0, request="once")
    assert again.json() == first.json()
    assert len(page.get("/api/feet/1/history").json()) == 1


def test_two_readers_at_once_over_the_server(serve, harbour):
    """As in test_store.py, through the whole way of a request."""
    server = serve(harbour)
    pages = [server.browser(reader) for reader in ("AB", "CD")]
    start = threading.Barrier(2)
    won = []

    def correct(page):
        start.wait()
        for _ in range(20):
            while True:
                version = len(page.get("/api/feet/1/history").json())
                answer = save(page, 1, "correct", version, note=str(version))
                if answer.status_code == 200:
                    won.append(answer.json()["version"])
                    break
                assert answer.status_code == 409

    threads = [threading.Thread(target=correct, args=(page,)) for page in pages]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(won) == list(range(1, 41))
    notes = [entry["note"] for entry in pages[0].get("/api/feet/1/history").json()]
    assert notes == [str(version) for version in range(40)]


def test_a_killed_server_keeps_every_read_it_acknowledged(harbour, let_in):
    """The command itself, ended by SIGKILL while a reader saves; then started again."""

    def started():
        command = [sys.executable, "-c", "from raysplay.train.cli import main; main()", "review", str(harbour)]
        server = subprocess.Popen(
            [*command, "--no-browser", "--reader", "ab"],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "COLUMNS": "300"},
        )
        for line in server.stdout:
            if "/start?token=" in line:
                break
        address = line.split()[-1]
        base = address.split("/start")[0]
        page = httpx.Client(base_url=base, headers={"Origin": base}, timeout=60)
        let_in(page, page.get(address))
        return server, page

    server, page = started()
    acknowledged = []
    killer = threading.Timer(0.4, server.kill)
    try:
        for version in range(500):
            acknowledged.append(save(page, 1, "correct", version, note=str(version)).json()["version"])
            if version == 0:
                killer.start()
    except (httpx.TransportError, json.JSONDecodeError):
        pass
    killer.join()
    server.communicate()
    assert 0 < len(acknowledged) < 500
    server, page = started()
    try:
        history = page.get("/api/feet/1/history").json()
        assert [entry["version"] for entry in history][: len(acknowledged)] == acknowledged
        assert len(history) - len(acknowledged) in (0, 1)
        assert foot(page)["version"] == len(history)
        assert page.get("/api/session").json()["run"]["notices"] == []
    finally:
        server.kill()
        server.communicate()


def test_every_measure_of_a_run_has_its_landmarks(page):
    session = page.get("/api/session").json()
    for measure in session["measures"]:
        (known,) = [one for one in MEASURES if one.name == measure["name"]]
        assert set(measure["landmarks"]["shaft"]) == set(known.landmarks)
    assert session["cautions"] == [
        {"kind": "device", "text": "Not a medical device."},
        {"kind": "use", "text": "A person confirms every number used in care. The numbers are no diagnosis."},
    ]
